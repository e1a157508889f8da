"""Every provocation of the catalogue, once: the table of faults that the logger is shown to survive."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.catalogue import Provocation, Unavailable, all_provocations

CATALOGUE = all_provocations()


@pytest.mark.slow
@pytest.mark.timeout(240)
@pytest.mark.parametrize("one", CATALOGUE, ids=[f"{one.kind}: {one.fault}" for one in CATALOGUE])
def test_the_logger_survives(one: Provocation, tmp_path: Path) -> None:
    try:
        outcome = one.run(tmp_path)
    except Unavailable as reason:
        pytest.skip(str(reason))
    assert outcome


def test_the_catalogue_has_forty_kinds_of_faults_or_more_each_named_once() -> None:
    names = [one.fault for one in CATALOGUE]
    assert len(names) == len(set(names))
    assert len(names) >= 40
    assert {one.kind for one in CATALOGUE} == {"instrument", "storage", "time", "process"}
