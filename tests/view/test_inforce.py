"""The live view judges by the limits in force, and names who sits in a position now."""

from __future__ import annotations

from rig.domain.layout_json import limits_to_json
from rig.domain.model import EventKind, Limit, Side
from rig.view.snapshot import ChannelCondition
from tests.view.rooms import Feeder, layout


def test_limits_of_a_phase_or_a_reload_count_and_a_new_session_begins_with_its_own() -> None:
    feeder = Feeder(layout(units=1))
    name = next(one for one in feeder.plan.channels if feeder.plan.channels[one].limits)
    feeder.everything(10.0)

    def limits() -> list[float]:
        view = next(one for one in feeder.picture(11.0).channels if one.name == name)
        assert view.condition is not ChannelCondition.OUT
        return [limit.value for limit in feeder.live.layout.channels[name].limits]

    own = limits()
    looser = [Limit(side=Side.HIGH, value=1e6)]
    feeder.event(EventKind.PHASE, 10.5, "p", "phase p", phase="p", limits={name: limits_to_json(looser)})
    assert limits() == [1e6]
    feeder.event(EventKind.CONFIG_CHANGE, 10.6, "run", "changed", limits={})
    assert limits() == own
    feeder.event(EventKind.CONFIG_CHANGE, 10.7, "run", "changed", limits={name: []})
    assert limits() == []
    feeder.event(EventKind.SESSION_START, 10.8, "run", "session 2")
    assert limits() == own


def test_a_swapped_unit_is_named_by_its_new_serial_number() -> None:
    feeder = Feeder(layout(units=2))
    feeder.everything(10.0)
    unit = next(iter(feeder.plan.units))
    feeder.event(EventKind.UNIT, 10.5, unit, "swapped", serial="S77", before="S66")
    feeder.event(EventKind.SESSION_START, 10.8, "run", "session 2")
    assert next(one.serial for one in feeder.picture(11.0).units if one.name == unit) == "S77"


def test_an_excursion_is_shown_with_the_limit_that_was_left_whatever_holds_now() -> None:
    feeder = Feeder(layout(units=1))
    feeder.everything(10.0)
    feeder.event(EventKind.LIMIT_OUT, 10.5, "A1.heatsink", "out", side="high", limit=78.0, value=80.0)
    feeder.event(EventKind.SESSION_START, 10.8, "run", "session 2")
    (one,) = feeder.picture(11.0).excursions
    assert one.limit == 78.0
    assert [limit.value for limit in feeder.live.layout.channels["A1.heatsink"].limits] != [78.0]
