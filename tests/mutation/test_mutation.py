"""The mutation runner itself: which changes it makes, that it makes them, and that its list stays true."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.mutation.__main__ import chosen
from tests.mutation.accepted import accepted, stale
from tests.mutation.mutants import mutants_of
from tests.mutation.running import NotTriedError, tried, warm_up
from tests.mutation.table import FORENSICS, ROOT, STORE, Target, targets

SOURCE = '''
"""A module."""
LEAST = 8.0
FEW = 3

def passes(values: list[float], shown: bool = False) -> bool:
    """Return whether all is well."""
    if not values or len(values) < FEW:
        return False
    total = sum(values) * 2 - 1
    assert total == total, "never"
    return min(values) >= LEAST and values[:FEW] == sorted(values, reverse=True)[:FEW]
'''


def changes() -> set[tuple[str, str]]:
    return {(m.before, m.after) for m in mutants_of(SOURCE)}


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("LEAST = 8.0", "LEAST = 10.0"),
        ("LEAST = 8.0", "LEAST = 6.4"),
        ("FEW = 3", "FEW = 4"),
        ("FEW = 3", "FEW = 2"),
        ("not values or len(values) < FEW", "True"),
        ("not values or len(values) < FEW", "False"),
        ("not values or len(values) < FEW", "not values and len(values) < FEW"),
        ("not values or len(values) < FEW", "not values"),
        ("not values or len(values) < FEW", "values or len(values) < FEW"),
        ("not values or len(values) < FEW", "not values or len(values) <= FEW"),
        ("return False", "return True"),
        ("total = sum(values) * 2 - 1", "total = sum(values) / 2 - 1"),
        ("total = sum(values) * 2 - 1", "total = sum(values) * 2 + 1"),
        ("total = sum(values) * 2 - 1", "total = sum(values) - 1"),
        ("min(values) >= LEAST", "max(values) >= LEAST"),
        ("min(values) >= LEAST", "min(values) > LEAST"),
    ],
)
def test_the_usual_slips_are_made(before: str, after: str) -> None:
    assert any(one == before and other == after for one, other in changes()) or any(
        before in one and after in other for one, other in changes()
    )


def test_what_is_only_words_or_stated_for_the_reader_is_left_alone() -> None:
    told = " ".join(f"{one} {other}" for one, other in changes())
    assert "never" not in told
    assert "A module" not in told


def test_a_number_that_only_says_what_comes_first_is_left_alone() -> None:
    assert mutants_of("RULE = Rule(precedence=20, look=_look)\n") == []


def test_each_mutant_differs_from_the_module_in_one_place_and_from_every_other() -> None:
    tree = ast.parse(SOURCE)
    made = [ast.unparse(mutant.applied(tree)) for mutant in mutants_of(SOURCE)]
    assert ast.unparse(tree) not in made
    assert len(set(made)) == len(made)
    keys = [mutant.key for mutant in mutants_of(SOURCE)]
    assert len(set(keys)) == len(keys)


@pytest.mark.slow
def test_a_sample_depends_on_its_seed_alone() -> None:
    found = targets()[:3]
    first = [[m.key for m in ms] for _, ms in chosen(found, 20, 5)]
    assert sum(len(keys) for keys in first) == 20
    assert first == [[m.key for m in ms] for _, ms in chosen(found, 20, 5)]
    assert first != [[m.key for m in ms] for _, ms in chosen(found, 20, 6)]


def test_every_module_of_the_table_is_there_with_its_tests() -> None:
    for one in targets():
        assert one.path.exists(), one.name
        assert one.tests, one.name
        assert [test for test in one.tests if not test.exists()] == [], one.name


@pytest.mark.parametrize("area", [FORENSICS, STORE])
def test_every_module_of_these_areas_has_its_line(area: str) -> None:
    there = {path for path in (ROOT / area).rglob("*.py") if path.name != "__init__.py"}
    assert there - {one.path for one in targets()} == set()


@pytest.mark.slow
def test_every_reviewed_mutant_still_is_one_and_has_its_reason() -> None:
    entries = accepted()
    names = {one.name for one in targets()}
    assert {entry.module for entry in entries} <= names
    old = [entry for one in targets() for entry in stale(entries, one.name, mutants_of(one.source))]
    assert old == []


def test_a_reviewed_mutant_without_a_reason_is_refused(tmp_path: Path) -> None:
    place = tmp_path / "list.toml"
    place.write_text('[[mutant]]\nmodule="m"\nfunction="f"\nbefore="a"\nafter="b"\nreason=" "\n', "utf-8")
    with pytest.raises(ValueError, match="no reason"):
        accepted(place)


@pytest.mark.slow
def test_a_mutant_of_a_real_module_is_noticed_and_the_sound_module_passes() -> None:
    warm_up()
    import tests.domain.test_limits  # noqa: F401  # as in a whole run, where other tests were collected before

    [limits] = [one for one in targets() if one.name == "domain.limits"]
    [mutant] = [m for m in mutants_of(limits.source) if (m.before, m.after) == ("beyond > 0", "beyond >= 0")]
    [(_, outcome)] = tried(limits, [mutant], 1)
    assert outcome.noticed
    assert "a_value_equal_to_the_limit_is_inside" in outcome.by


@pytest.mark.slow
def test_without_tests_nothing_is_tried() -> None:
    nothing = Target("none", ROOT / "rig" / "__init__.py", ())
    with pytest.raises(NotTriedError, match="not one of its test files"):
        list(tried(nothing, [], 1))
