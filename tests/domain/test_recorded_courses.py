"""A group that all units of the rig share, all taking part, goes through the program as a rig always did."""

from __future__ import annotations

import json
from functools import partial
from typing import Any

import pytest

from rig.domain import group_progress, kept_progress, program_state
from rig.domain.phase_monitor import PhaseObservation
from rig.domain.program_state import Progress
from tests.domain.program_cases import RECORDED, SEEDS, S, looks_of, program_of

TABLE = json.loads(RECORDED.read_text("utf-8"))
WHO = {"A1": "0001", "A2": "0002", "A3": "0003"}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_group_of_all_units_makes_of_any_course_what_one_program_per_rig_made_of_it(seed: int) -> None:
    plan = group_progress.group_plan(program_of(seed))
    told: list[list[Any]] = []

    def tell(at: int, what: str, values: dict[str, Any], why: str) -> None:
        told.append([at, what, [values[key] for key in TABLE["keys"]] if values else [], why])

    group, changes = group_progress.begin(plan, WHO, 100 * S)
    for number, look in enumerate([None, *looks_of(seed)]):
        if look is not None and look.order:
            try:
                group, changes = group_progress.by_hand(group, plan, WHO, look.order, look.now_ns)
            except ValueError as error:
                tell(number, "refused", {}, str(error))
                changes = ()
            for one in changes:
                tell(number, str(one.what), _json(one.progress, plan), one.why)
        if look is not None:
            cycles = dict.fromkeys(WHO, int(look.cycles))
            group, changes = group_progress.advance(
                group, plan, WHO, partial(_seen, look.sight), now_ns=look.now_ns, cycles=cycles
            )
        for one in changes:
            tell(number, str(one.what), _json(one.progress, plan), one.why)
        if number and number % 65 == 0:
            values = kept_progress.to_json(group, plan, WHO)
            assert set(values) == set(TABLE["keys"]), "nobody differs, so no serial number is named"
            tell(number, "", values, "")
    assert told == TABLE["cases"][seed]["told"]


def _seen(sight: PhaseObservation, _units: object) -> PhaseObservation:
    return sight


def _json(progress: Progress, plan: group_progress.GroupPlan) -> dict[str, Any]:
    return program_state.to_json(progress, plan.steps)
