"""A made-up room whose units have states: what is recorded of them, as a Feeder gives it to the view."""

from __future__ import annotations

from dataclasses import replace

from rig.domain.accounting import LevelPlan
from rig.domain.model import EventKind, Layout, Limit, Side, Signals
from tests.view.rooms import START, Feeder, layout

SECOND = 1_000_000_000


def signalled(units: int = 6) -> Layout:
    """Return the usual room, in which output and current of each unit show its state, with low limits."""
    plan = layout(units)
    channels = dict(plan.channels)
    for name in plan.units:
        for quantity, low in (("output", 30.0), ("current", 1.0)):
            one = channels[f"{name}.{quantity}"]
            limit = Limit(side=Side.LOW, value=low, deadband=0.1)
            channels[one.name] = replace(one, limits=(*one.limits, limit))
    seated = {
        name: replace(
            unit,
            signals=Signals(
                output=LevelPlan(channel=f"{name}.output", on_above=5.0, off_below=3.0),
                supply=LevelPlan(channel=f"{name}.current", on_above=0.1, off_below=0.05),
            ),
        )
        for name, unit in plan.units.items()
    }
    return replace(plan, units=seated, channels=channels)


def state(
    feeder: Feeder, unit: str, name: str, at_s: float, cause: str = "", certainty: str = "certain",
    since: tuple[float, float] | None = None, serial: str = "",
) -> None:  # fmt: skip
    """Record a state of a unit, which began between two moments (s from the start of the run)."""
    early_s, late_s = since or (at_s, at_s)
    feeder.event(
        EventKind.STATE, at_s, unit, f"{unit} {name} {cause}",
        serial=serial or feeder.plan.units[unit].serial, state=name, before="driven", cause=cause,
        certainty=certainty, earliest_ns=START + round(early_s * SECOND),
        latest_ns=START + round(late_s * SECOND), evidence=[], retracts=False,
    )  # fmt: skip


def taken_away(feeder: Feeder, at_s: float, *excursions: tuple[str, str]) -> None:
    """Record that excursions end because their limits sleep."""
    for channel, side in excursions:
        feeder.event(
            EventKind.LIMIT_IN, at_s, channel, f"{channel}: limit removed", side=side,
            cause="limit taken away",
        )  # fmt: skip


def driven_room(units: int = 6) -> Feeder:
    """Return a room of which all units are driven, one second old."""
    feeder = Feeder(signalled(units))
    for name in feeder.plan.units:
        state(feeder, name, "driven", 0.5)
    feeder.everything(1.0)
    return feeder


def failed_room() -> Feeder:
    """Return a room whose A2 ran hot and died: three excursions led to it, five followed from it.

    Its output was last present at 30.0 s and gone at 30.5 s; the failure was suspected at 40 s.
    """
    feeder = driven_room()
    feeder.out("A2.heatsink", 10.0)
    feeder.out("A2.transformer", 20.0)
    feeder.out("A2.bias", 30.2, delay_s=0.0)
    after = [("A2.output", "low", 30.5), ("A2.current", "low", 30.4), ("A2.ripple", "high", 30.6),
             ("A2.power", "high", 31.0), ("A2.rail_plus", "high", 32.0)]  # fmt: skip
    for channel, side, at_s in after:
        feeder.out(channel, at_s, side, delay_s=1.0)
    state(feeder, "A2", "unpowered", 33.5, "unknown", since=(30.0, 30.5))
    lasting = [("A2.heatsink", "high"), ("A2.transformer", "high"), ("A2.bias", "high")]
    taken_away(feeder, 33.6, *lasting, *((channel, side) for channel, side, _ in after))
    state(feeder, "A2", "failed", 40.0, "unknown", "possible", since=(30.0, 30.5))
    feeder.everything(40.5, {"A2.output": 0.0, "A2.current": 0.0, "A2.power": 0.0})
    return feeder
