"""Handlers of orders: notes, swaps, incidents, limits, phases. Each raises ValueError to refuse."""

from __future__ import annotations

from typing import Any

from rig.daemon.observers.order_inbox import Handler, order_data
from rig.daemon.observers.phases import Phases
from rig.daemon.observers.record_observer import Announce, LimitsInForce
from rig.daemon.resume import Keeper
from rig.domain import incident_entries, positions
from rig.domain.formatting import stamp
from rig.domain.layout_json import layout_from_json
from rig.domain.limit_history import change_data, limit_changes, only_limits_differ
from rig.domain.model import EventKind, Layout
from rig.domain.orders import Order, OrderKind
from rig.domain.positions import AT, PositionChange
from rig.errors import DamageError, shown
from rig.store import rundir
from rig.store.rundir import RunDir

LONGEST_SERIAL = 100


class OrderHandlers:
    """Carries out orders for one session.

    layout: of the session's rig file. limits, phases: None in a session that only carries out orders, or
    without a test program.
    """

    def __init__(
        self,
        *,
        run: RunDir,
        layout: Layout,
        keeper: Keeper,
        announce: Announce,
        limits: LimitsInForce | None = None,
        phases: Phases | None = None,
    ) -> None:
        self._layout = layout
        self._keeper = keeper
        self._run = run
        self._announce = announce
        self._limits = limits
        self._phases = phases
        self._changed_ns: dict[str, int] = {}
        """When the last swap in this session took effect, by position: the sender may not have seen it."""

    def handlers(self) -> dict[OrderKind, Handler]:
        """Return the handler of each kind of order."""
        return {
            OrderKind.NOTE: self._note,
            OrderKind.SWAP: self._swap,
            OrderKind.RELOAD: self._reload,
            OrderKind.PHASE: self._phase,
            OrderKind.INCIDENT: self._incident,
        }

    def _note(self, order: Order) -> None:
        text, unit = order.text_of("text").strip(), order.text_of("unit")
        if not text:
            raise ValueError("the note has no text")
        if unit:
            self._known(unit)
        data: dict[str, Any] = order_data(order)
        at_ns = _at_ns(order, "note")
        if at_ns is not None:
            data[AT] = at_ns
        if order.data.get("died") is True:
            if not unit:
                raise ValueError("died without a unit; name the unit")
            data["died"] = True
        self._announce(EventKind.NOTE, unit or "run", text, data)
        if data.get("died") and self._phases is not None:
            self._phases.take_part(unit, False)

    def _swap(self, order: Order) -> None:
        unit, serial = order.text_of("unit"), order.text_of("serial").strip()
        self._known(unit)
        if len(serial) > LONGEST_SERIAL or not serial.isprintable():
            raise ValueError(f"{shown(serial)} cannot be a serial number; write up to 100 plain characters")
        sits = self._keeper.serials
        if serial == sits.get(unit, ""):
            raise ValueError(
                f"{unit} already holds serial number {serial}" if serial else f"{unit} is already empty"
            )
        other = positions.elsewhere(sits, unit, serial)
        if other is not None:
            raise ValueError(f"serial number {serial} is recorded in {other}; take it out there first")
        at_ns = _at_ns(order, "swap")
        last_ns = self._changed_ns.get(unit)
        if at_ns is not None and last_ns is not None and at_ns <= last_ns:
            raise ValueError(f"another swap of {unit} is on record for {stamp(last_ns)}, which is later")
        self._changed_ns[unit] = order.asked_ns if at_ns is None else at_ns
        why = order.text_of("text").strip() or f"swapped by {order.by}"
        change = PositionChange(unit=unit, before=sits.get(unit, ""), serial=serial, why=why, at_ns=at_ns)
        sits[unit] = serial
        self._announce(EventKind.UNIT, unit, change.text, change.data() | order_data(order))
        if self._limits is not None:
            self._limits.seat(sits)
        if self._phases is not None:
            self._phases.take_part(unit, bool(serial))
        self._keeper.save()

    def _incident(self, order: Order) -> None:
        data, text = incident_entries.checked(order.data), order.text_of("text").strip()
        if data["unit"]:
            self._known(data["unit"])
        if not text and not {"relevance", "files"} & data.keys():
            raise ValueError("nothing is said about the incident: write a note, close it, or attach a file")
        self._announce(EventKind.INCIDENT, data["unit"] or "run", text, data | order_data(order))

    def _phase(self, order: Order) -> None:
        if self._phases is None:
            raise ValueError("no test program is running: no logger, or a rig file without program")
        self._phases.move(order)

    def _reload(self, order: Order) -> None:
        config = order.text_of("config")
        try:
            fresh = layout_from_json(rundir.frozen_layout(self._run, config))
        except (DamageError, ValueError) as error:
            raise ValueError(f"the rig file {shown(config)} is not in the run: {error}") from error
        self._change(self._layout, fresh, config, order)

    def _change(self, old: Layout, fresh: Layout, config: str, order: Order) -> None:
        if self._limits is None:
            raise ValueError(
                "no logger running, so no limit is in force; start soakrig log with the new file"
            )
        others = only_limits_differ(old, fresh)
        if others:
            raise ValueError(
                f"only limits can be reloaded, other differences: {', '.join(others[:8])}; "
                "stop the logger and start it with the new file"
            )
        changes = limit_changes(old, fresh)
        if not changes:
            raise ValueError("no limit differs; nothing to reload")
        data = order_data(order) | change_data(changes, old, self._keeper.config, config)
        data["reason"] = order.text_of("text")
        self._limits.reload(fresh.channels)
        if self._phases is not None:
            self._phases.reload(fresh)
        data |= self._limits.data()
        self._layout, self._keeper.config = fresh, config
        self._announce(EventKind.CONFIG_CHANGE, "run", f"limits changed by {order.by}: {data['words']}", data)
        self._keeper.save()

    def _known(self, unit: str) -> None:
        if unit not in self._layout.units:
            known = ", ".join(self._layout.units) or "none"
            raise ValueError(f"there is no position {shown(unit)}; there are: {known}")


def _at_ns(order: Order, what: str) -> int | None:
    """Return the stated time of what is told after the fact, None where none is. Raises ValueError."""
    at_ns = order.data.get(AT)
    if at_ns is not None and (isinstance(at_ns, bool) or not isinstance(at_ns, int)):
        raise ValueError(f"the time of the {what} is {shown(str(at_ns))}; expected UTC nanoseconds")
    return at_ns
