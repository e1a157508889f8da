"""Which files of a run count, from their names alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.store import catalogue
from rig.store.catalogue import Catalogue, Sealed
from rig.store.files import OS_DISK

DAY = "2026-01-01"
FOLDERS = ("journal", "sealed", "readings", "events", "summary", "damaged")


def sealed(name: str) -> Sealed:
    found = catalogue.parse(name)
    assert found is not None
    return found


def look(folder: Path, *names: str, bad: tuple[str, ...] = ()) -> Catalogue:
    """What is found where these files (FOLDER/NAME) are, and no others."""
    for one in FOLDERS:
        (folder / one).mkdir(exist_ok=True)
    for name in names:
        (folder / name).touch()
    return catalogue.look(folder, OS_DISK, bad)


def whole(*names: str) -> list[str]:
    """Return the files of sealed pairs."""
    return [f"{folder}/{name}{'.json' if folder == 'sealed' else '.parquet'}"
            for name in names for folder in ("sealed", "readings", "events", "summary")]  # fmt: skip


def test_the_name_of_a_pair_says_day_hour_and_journals() -> None:
    for name, hour, first, last in (
        (f"{DAY}T05-000003-000003", "05", 3, 3),
        (f"{DAY}-000003-000012", None, 3, 12),
        (f"{DAY}-1000000-1000001", None, 1_000_000, 1_000_001),
    ):
        found = sealed(name)
        assert (found.name, found.day, found.hour, found.first, found.last) == (name, DAY, hour, first, last)
        assert catalogue.sealed_name(DAY, hour, first, last) == name
    for name in (f"{DAY}-000004-000003", f"{DAY}-3-4", f"{DAY}T5-000003-000003", f"x{DAY}-000003-000003", ""):
        assert catalogue.parse(name) is None


def test_the_files_of_a_pair_are_listed_with_its_index_first_and_its_summary_last(tmp_path: Path) -> None:
    name = f"{DAY}-000001-000002"
    assert sealed(name).paths(tmp_path) == [tmp_path / "sealed" / f"{name}.json", *(
        tmp_path / folder / f"{name}.parquet" for folder in ("readings", "events", "summary")
    )]  # fmt: skip


@pytest.mark.parametrize(
    ("first", "last", "holds"),
    [(3, 7, True), (4, 6, True), (3, 6, True), (2, 7, False), (3, 8, False), (8, 9, False)],
)
def test_a_pair_holds_what_lies_within_its_journals(first: int, last: int, holds: bool) -> None:
    outer = sealed(catalogue.sealed_name(DAY, None, 3, 7))
    assert outer.holds(sealed(catalogue.sealed_name(DAY, None, first, last))) is holds


def test_of_the_same_journals_the_day_counts_and_the_hour_is_superseded() -> None:
    day, hour = sealed(f"{DAY}-000001-000001"), sealed(f"{DAY}T00-000001-000001")
    after = sealed(f"{DAY}T01-000002-000002")
    assert catalogue.choose([after, hour, day]) == ([day, after], [hour])
    longer = sealed(f"{DAY}T00-000001-000002")
    assert catalogue.choose([day, longer]) == ([longer], [day])


def test_sealed_pairs_and_journals_count_in_recorded_order(tmp_path: Path) -> None:
    one, two = f"{DAY}T00-000001-000001", f"{DAY}T01-000002-000003"
    found = look(tmp_path, *whole(two, one), "journal/j000005.journal", "journal/j000004.journal")
    assert found == Catalogue(sealed=(sealed(one), sealed(two)), journals=(4, 5))


def test_a_journal_that_is_sealed_is_covered_at_both_ends_of_the_pair(tmp_path: Path) -> None:
    name = f"{DAY}-000002-000004"
    journals = [f"journal/j00000{number}.journal" for number in (1, 2, 3, 4, 5)]
    found = look(tmp_path, *whole(name), *journals)
    assert (found.covered, found.journals) == ((2, 3, 4), (1, 5))


def test_what_a_larger_pair_holds_is_superseded(tmp_path: Path) -> None:
    large, small = f"{DAY}-000001-000002", f"{DAY}T01-000002-000002"
    found = look(tmp_path, *whole(large, small))
    assert (found.sealed, found.superseded) == ((sealed(large),), (sealed(small),))


def test_files_without_an_index_are_an_unfinished_sealing_where_their_content_is_elsewhere(
    tmp_path: Path,
) -> None:
    name = f"{DAY}-000001-000002"
    files = whole(name)[1:]
    found = look(tmp_path, *files, "journal/j000001.journal", "journal/j000002.journal")
    assert found.sealed == found.orphans == ()
    assert found.journals == (1, 2)
    assert set(found.partial) == {tmp_path / file for file in files}


@pytest.mark.parametrize("number", [1, 2, 3])
def test_files_without_an_index_count_where_part_of_their_content_is_nowhere_else(
    tmp_path: Path, number: int
) -> None:
    name = f"{DAY}-000001-000003"
    here = [n for n in (1, 2, 3) if n != number]
    found = look(tmp_path, *whole(name)[1:], *(f"journal/j00000{n}.journal" for n in here))
    assert found.sealed == found.orphans == (sealed(name),)
    assert found.partial == ()
    assert found.covered == tuple(here)


def test_a_merging_that_never_ended_is_partial_while_its_sources_are_there(tmp_path: Path) -> None:
    merged = f"{DAY}-000001-000004"
    sources = (f"{DAY}T00-000001-000002", f"{DAY}T01-000003-000004")
    found = look(tmp_path, *whole(*sources), *whole(merged)[1:])
    assert found.sealed == tuple(sealed(one) for one in sources)
    assert (found.orphans, len(found.partial)) == ((), 3)


def test_a_summary_alone_is_no_pair(tmp_path: Path) -> None:
    path = whole(f"{DAY}-000001-000001")[-1]
    found = look(tmp_path, path)
    assert (found.sealed, found.partial) == ((), (tmp_path / path,))


def test_a_bad_pair_counts_as_not_there_and_is_not_missed(tmp_path: Path) -> None:
    large, small = f"{DAY}-000001-000003", f"{DAY}T01-000002-000002"
    found = look(tmp_path, *whole(large, small), "journal/j000003.journal", bad=(large,))
    assert found == Catalogue(sealed=(sealed(small),), journals=(3,))
    (tmp_path / "sealed" / f"{large}.json").unlink()
    found = look(tmp_path, bad=(large,))
    assert found == Catalogue(sealed=(sealed(small),), journals=(3,))


@pytest.mark.parametrize(
    ("names", "missing"),
    [((), ()), (("journal/j000001.journal",), ()), (("journal/j000003.journal",), (1, 2)),
     (("journal/j000001.journal", "journal/j000004.journal", "damaged/j000002.journal"), (3,)),
     (("journal/j000001.journal", "damaged/j000003.journal"), (2,)),
     (("journal/j000001.journal", *whole(f"{DAY}-000003-000004")), (2,))],
)  # fmt: skip
def test_a_journal_that_was_begun_and_is_nowhere_is_missing(
    tmp_path: Path, names: tuple[str, ...], missing: tuple[int, ...]
) -> None:
    assert look(tmp_path, *names).missing == missing


def test_other_names_are_foreign_and_hidden_ones_are_nothing(tmp_path: Path) -> None:
    others = ["journal/x", "journal/j1.journal", "sealed/x.json", f"sealed/{DAY}-000001-000001.txt",
              "readings/mine.parquet", "events/readme", "summary/x.parquet"]  # fmt: skip
    found = look(tmp_path, *others, "journal/.j000009.journal.tmp", "readings/.x", "sealed/.x.json.tmp")
    assert set(found.foreign) == {tmp_path / name for name in others}
    assert (found.sealed, found.journals, found.missing) == ((), (), ())


def test_a_run_without_its_folders_holds_nothing(tmp_path: Path) -> None:
    assert catalogue.look(tmp_path / "none", OS_DISK) == Catalogue(sealed=(), journals=())
