"""Alarms: alerts from events, one at the start and one at the end, per subject, kind and side.

Values in, values out: no clock, no file. The return to normal is judged by the time of the newest reading,
so a dead logger never ends an alarm.

* A first event opens an alarm and sends an alert. Repeats while it is open are counted, not sent.
* Another alert is sent when it gets worse (warning, then limit), or after ``repeat`` if that is set.
* It is over after ``settle`` of normal readings; that is sent once, with the count.
* Channels without valid readings because their instrument is offline belong to that instrument's alarm.
* After a restart of the logger open alarms count as normal until the new session repeats them, but for
  excursions that the new session names: they stay open until it finds them back inside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from rig.alerts.alarm import Alarm
from rig.alerts.facts import (
    Fact,
    crossing_words,
    group_of,
    harmless,
    instruments_behind,
    where_to_look,
)
from rig.domain.formatting import duration, quantity
from rig.domain.model import Event, EventKind, Layout, Status
from rig.domain.recorded_excursions import left_open, names_what_it_goes_on_with, says_again
from rig.rigfile.alerts_section import Alerts

_SECOND: Final = 1_000_000_000
SILENT = "logger:silent"


@dataclass(frozen=True, slots=True)
class _Opens:
    word: str
    category: str
    mark: str
    level: int = 2


_OPENS: Final = {
    EventKind.EARLY_OUT: _Opens("limit", "early", "early", 1),
    EventKind.LIMIT_OUT: _Opens("limit", "limits", "limit"),
    EventKind.NO_VALID: _Opens("readings", "readings", "silent"),
    EventKind.INSTRUMENT_LOST: _Opens("instrument", "instruments", "lost"),
    EventKind.STORE_FAULT: _Opens("store", "logger", "disk"),
    EventKind.SESSION_STOP: _Opens("stopped", "logger", "stopped"),
}
_CLOSES: Final = {
    EventKind.EARLY_IN: ("limit", "early"),
    EventKind.LIMIT_IN: ("limit", "limit"),
    EventKind.VALID_AGAIN: ("readings", "silent"),
    EventKind.INSTRUMENT_BACK: ("instrument", "lost"),
    EventKind.STORE_BACK: ("store", "disk"),
    EventKind.SESSION_START: ("stopped", "stopped"),
}
_MOMENTARY: Final = {
    EventKind.BUS_STUCK: "instruments",
    EventKind.STORE_FAULT: "logger",
    EventKind.STORE_LOW: "logger",
    EventKind.LOGGER_FAULT: "logger",
    EventKind.SESSION_BROKEN: "logger",
    EventKind.DAMAGE: "logger",
    EventKind.CLOCK_STEP: "logger",
    EventKind.GAP: "gaps",
    EventKind.INSTRUMENT_REPORT: "reports",
}
"""Momentary events; repeats soon after are counted, not sent."""
_EACH: Final = {
    EventKind.SWITCH: "switching",
    EventKind.SESSION_START: "run",
    EventKind.PHASE: "run",
    EventKind.CONFIG_CHANGE: "run",
}
"""Events that are each sent."""
_OF_THE_DISK: Final = frozenset({EventKind.STORE_FAULT, EventKind.STORE_LOW, EventKind.DAMAGE})
_OVER: Final = {
    "limit": "{subject} returned to normal ({side} {bound})",
    "readings": "{subject}: valid readings again",
    "instrument": "{subject} is online again",
    "store": "records are written to disk again",
    "stopped": "logger started again",
    "silent": "logger records again",
    "way": "notifier {subject} delivers again",
}
_LASTING: Final = frozenset({"limit", "readings", "instrument", "store"})


class Alarms:
    """Open alarms of a run.

    ``open`` and ``next_number`` are the state to be kept. ``peaks``, the extreme values of open alarms,
    goes into ``open`` with every alert.
    """

    def __init__(
        self, alerts: Alerts, layout: Layout | None, inputs: Mapping[str, tuple[str, ...]] | None = None
    ) -> None:
        self._settle_ns = round(alerts.settle_s * _SECOND)
        self._repeat_ns = round(alerts.repeat_s * _SECOND)
        self._silence_ns = round(alerts.silence_s * _SECOND)
        self._layout = layout
        self._inputs = inputs or {}
        self.open: dict[str, Alarm] = {}
        self.peaks: dict[str, float] = {}
        self.next_number = 1
        self._start: Event | None = None

    # ---- what comes in

    def begin_quietly(self) -> None:
        """Drop what is over and mark the rest as not sent: for the past of a run seen for the first time."""
        self.open = {
            key: replace(one, sent_level=0)
            for key, one in self.open.items()
            if one.back_ns is None and not one.momentary
        }

    def follow(self, channels: Sequence[str], values: Sequence[float], statuses: bytes) -> None:
        """Take the readings of one exchange into the extreme values of open alarms."""
        for alarm in self.open.values():
            if alarm.side and alarm.subject in channels:
                place = channels.index(alarm.subject)
                if statuses[place] == Status.GOOD:
                    known = replace(alarm, worst=self.peaks.get(alarm.key, alarm.worst))
                    worst = _worse(known, values[place])
                    if worst is not None:
                        self.peaks[alarm.key] = worst

    def take(self, event: Event, began_ns: int | None = None) -> list[Fact]:
        """Return the alerts of an event. ``began_ns``: UTC of an excursion's first reading outside."""
        facts: list[Fact] = []
        if event.brief:
            return facts  # brief session of an order without a logger: no alarm begins or ends
        if event.kind is EventKind.SESSION_START:
            self._assume_calm(event)
        disk_trouble = event.kind is not EventKind.STORE_FAULT or "cause" not in event.data
        if event.kind in _OPENS and disk_trouble:
            facts += self._opened(event, _OPENS[event.kind], began_ns or event.t_ns)
        elif event.kind in _MOMENTARY:
            facts += self._happened(event, _MOMENTARY[event.kind])
        if event.kind in _CLOSES:
            self._closed(event, *_CLOSES[event.kind])
        if event.kind in _EACH:
            facts.append(
                self._fact(
                    what="new",
                    category=_EACH[event.kind],
                    group=group_of(self._layout, event.subject),
                    t_ns=event.t_ns,
                    since_ns=event.t_ns,
                    headline=harmless(event.text),
                    look=where_to_look(self._layout, event.subject),
                )
            )
        return facts

    def tick(self, newest_ns: int | None) -> list[Fact]:
        """Return the alerts that are due at the time of the newest reading (UTC; None: unknown)."""
        facts: list[Fact] = []
        if newest_ns is None:
            return facts
        for alarm in list(self.open.values()):
            if alarm.key == SILENT or alarm.category == "ways":
                continue
            calm_since_ns = alarm.last_ns if alarm.momentary else alarm.back_ns
            if calm_since_ns is not None and newest_ns - calm_since_ns >= self._settle_ns:
                facts += self._over(alarm, calm_since_ns)
            elif alarm.back_ns is None and not alarm.momentary:
                facts += self._go_on(alarm, newest_ns)
        return facts

    def look_at_logger(self, now_ns: int, newest_ns: int, *, stopped: bool, place: str) -> list[Fact]:
        """Return the alerts about the age of the newest reading on disk. Times: UTC on one time line."""
        alarm = self.open.get(SILENT)
        age_ns = now_ns - newest_ns
        if age_ns > self._silence_ns and not stopped:
            if alarm is not None:
                if alarm.back_ns is not None:
                    self.open[SILENT] = replace(alarm, back_ns=None, times=alarm.times + 1, last_ns=newest_ns)
                return []
            alarm = Alarm(
                key=SILENT, category="logger", group="logger", subject="run",
                headline=f"logger silent: nothing new on disk for {duration(age_ns / _SECOND)}",
                look=f"{place}: is soakrig log running, the disk full, the machine up?",
                began_ns=newest_ns, last_ns=newest_ns, marks=("silent",),
            )  # fmt: skip
            return self._send(alarm, "new", now_ns)
        if alarm is None:
            return []
        if alarm.back_ns is None:
            alarm = self.open[SILENT] = replace(alarm, back_ns=newest_ns)
        assert alarm.back_ns is not None
        if stopped or newest_ns - alarm.back_ns >= self._settle_ns:
            return self._over(alarm, alarm.back_ns)
        return []

    def notifier_fails(self, notifier: str, since_ns: int, now_ns: int, error: str) -> list[Fact]:
        """Return the alerts, for the other notifiers, about one that has been failing since ``since_ns``."""
        key = f"way:{notifier}"
        if key in self.open:
            return []
        alarm = Alarm(
            key=key, category="ways", group="alerts", subject=notifier,
            headline=harmless(f"notifier {notifier} does not deliver: {error}"),
            look=harmless(f"notifier {notifier} in the rig file: server, network, secret"),
            began_ns=since_ns, last_ns=now_ns, marks=("failing",),
        )  # fmt: skip
        return self._send(alarm, "new", now_ns, not_by=notifier)

    def notifier_works(self, notifier: str, now_ns: int) -> list[Fact]:
        """Return the alerts, for the other notifiers, about one that delivers again."""
        alarm = self.open.get(f"way:{notifier}")
        return [] if alarm is None else self._over(alarm, now_ns, not_by=notifier)

    def test(self, notifier: str, now_ns: int) -> Fact:
        """Return a test message for one notifier."""
        return self._fact(
            what="test", category="ways", group="alerts", t_ns=now_ns, since_ns=now_ns, only_by=notifier,
            headline=f"test of notifier {notifier}", look="nothing; this is only a test of delivery",
        )  # fmt: skip

    # ---- what happens to an alarm

    def _opened(self, event: Event, opens: _Opens, began_ns: int) -> list[Fact]:
        side = str(event.data.get("side", ""))
        key = f"{opens.word}:{event.subject}:{side}"
        alarm = self.open.get(key)
        words = harmless(event.text)
        if opens.word == "limit":
            words = crossing_words(event, self._layout, early=opens.mark == "early")
        if alarm is None:
            alarm = Alarm(
                key=key, category=opens.category, group=self._group(event), subject=event.subject,
                headline=words, look=self._look(event, opens.word), began_ns=began_ns,
                last_ns=event.t_ns, marks=(opens.mark,), level=opens.level, side=side,
                unit=str(event.data.get("unit", "")), worst=_number(event.data.get("value")),
                behind=self._explained_by(event, opens.word),
            )  # fmt: skip
            if alarm.behind:
                self.open[key] = alarm
                return []
            return self._send(alarm, "new", event.t_ns, self._open_words(event))
        said = self._says_again(event, alarm)
        again = opens.mark not in alarm.marks and not said and opens.level >= alarm.level
        alarm = replace(
            alarm,
            marks=tuple(sorted({*alarm.marks, opens.mark})),
            back_ns=None,
            assumed=False,
            last_ns=event.t_ns,
            times=alarm.times + again,
            worst=_worse(alarm, _number(event.data.get("value"))),
        )
        if opens.level > alarm.level:
            alarm = replace(alarm, level=opens.level, category=opens.category, headline=words, times=1)
            return self._send(alarm, "worse", event.t_ns)
        self.open[key] = alarm
        return []

    def _says_again(self, event: Event, alarm: Alarm) -> bool:
        """Return whether a new session only repeats what was out before it."""
        if event.kind is EventKind.LIMIT_OUT and self._start and names_what_it_goes_on_with(self._start):
            return says_again(event, self._start)
        return alarm.assumed

    def _closed(self, event: Event, word: str, mark: str) -> None:
        key = f"{word}:{event.subject}:{event.data.get('side', '')}"
        alarm = self.open.get(key)
        if alarm is None:
            return
        marks = tuple(one for one in alarm.marks if one != mark)
        back_ns = alarm.back_ns
        if not marks and (back_ns is None or alarm.assumed):
            back_ns = event.t_ns
        self.open[key] = replace(alarm, marks=marks, back_ns=back_ns, assumed=False)

    def _happened(self, event: Event, category: str) -> list[Fact]:
        key = f"{event.kind}:{event.subject}:{event.data.get('cause', '')}"
        alarm = self.open.get(key)
        if alarm is not None:
            self.open[key] = replace(alarm, times=alarm.times + 1, last_ns=event.t_ns)
            return []
        alarm = Alarm(
            key=key, category=category, group=self._group(event), subject=event.subject,
            headline=harmless(event.text), look=self._look(event, ""), began_ns=event.t_ns,
            last_ns=event.t_ns, momentary=True,
        )  # fmt: skip
        return self._send(alarm, "new", event.t_ns)

    def _go_on(self, alarm: Alarm, newest_ns: int) -> list[Fact]:
        if not alarm.sent_level:
            explained = any(key in self.open for key in alarm.behind)
            return [] if explained else self._send(replace(alarm, behind=()), "new", alarm.last_ns)
        if self._repeat_ns and newest_ns - alarm.sent_ns >= self._repeat_ns:
            alarm = self._with_peak(alarm)
            return self._send(alarm, "still", newest_ns, self._count_words(alarm))
        return []

    def _over(self, alarm: Alarm, back_ns: int, *, not_by: str = "") -> list[Fact]:
        alarm = self._with_peak(alarm)
        del self.open[alarm.key]
        self.peaks.pop(alarm.key, None)
        if not alarm.sent_level or (alarm.momentary and alarm.times == alarm.sent_times):
            return []
        words = over_words(alarm, back_ns)
        return [
            self._fact(
                what="over", category=alarm.category, group=alarm.group, t_ns=back_ns,
                since_ns=alarm.began_ns, headline=harmless(words), not_by=not_by,
                detail=(f"was: {alarm.headline}", *self._count_words(alarm)),
            )
        ]  # fmt: skip

    def _with_peak(self, alarm: Alarm) -> Alarm:
        return replace(alarm, worst=self.peaks.get(alarm.key, alarm.worst))

    def _assume_calm(self, start: Event) -> None:
        """Take what was open for calm, but for what the new session says that it goes on with."""
        self._start = start
        goes_on = left_open(start)
        for key, alarm in self.open.items():
            named = "limit" in alarm.marks and (alarm.subject, alarm.side) in goes_on
            if key.partition(":")[0] in _LASTING and alarm.back_ns is None and not named:
                self.open[key] = replace(alarm, marks=(), back_ns=start.t_ns, assumed=True)

    def _send(
        self, alarm: Alarm, what: str, t_ns: int, detail: tuple[str, ...] = (), not_by: str = ""
    ) -> list[Fact]:
        self.open[alarm.key] = replace(alarm, sent_level=alarm.level, sent_ns=t_ns, sent_times=alarm.times)
        return [
            self._fact(
                what=what, category=alarm.category, group=alarm.group, t_ns=t_ns,
                since_ns=alarm.began_ns, headline=alarm.headline, detail=detail,
                look=alarm.look, not_by=not_by,
            )
        ]  # fmt: skip

    def _fact(self, **words: Any) -> Fact:
        fact = Fact(number=self.next_number, **words)
        self.next_number += 1
        return fact

    # ---- words

    def _group(self, event: Event) -> str:
        return "logger" if event.subject == "run" else group_of(self._layout, event.subject)

    def _look(self, event: Event, word: str) -> str:
        if word == "store" or event.kind in _OF_THE_DISK:
            return "disk of the run: space, mount, health"
        if event.subject == "run":
            return "recording machine: power, service log, clock"
        look = where_to_look(self._layout, event.subject)
        return look or harmless(f"{event.subject}: power, cable, port")

    def _explained_by(self, event: Event, word: str) -> tuple[str, ...]:
        if word != "readings":
            return ()
        behind = (
            f"instrument:{one}:" for one in instruments_behind(self._layout, event.subject, self._inputs)
        )
        return tuple(key for key in sorted(behind) if key in self.open)

    def _open_words(self, event: Event) -> tuple[str, ...]:
        if event.kind is not EventKind.SESSION_STOP:
            return ()
        still = sorted(one.subject for one in self.open.values() if one.back_ns is None and not one.momentary)
        return (harmless(f"active at that time: {', '.join(still)}"),) if still else ()

    def _count_words(self, alarm: Alarm) -> tuple[str, ...]:
        words = []
        if alarm.times > 1:
            words.append(f"{alarm.times} times so far")
        if alarm.worst is not None:
            words.append(f"extreme value: {self._reading(alarm)}")
        return tuple(words)

    def _reading(self, alarm: Alarm) -> str:
        channel = self._layout.channels.get(alarm.subject) if self._layout is not None else None
        return quantity(alarm.worst, alarm.unit, channel.resolution if channel is not None else 0.0)


def over_words(alarm: Alarm, back_ns: int) -> str:
    """Return the text of the end of an alarm, with its duration."""
    lasted = duration((back_ns - alarm.began_ns) / _SECOND)
    if alarm.momentary:
        return f"{alarm.subject}: not repeated since; {alarm.times} times in {lasted}"
    kind = "silent" if alarm.key == SILENT else alarm.key.partition(":")[0]
    words = _OVER[kind].format(
        subject=alarm.subject,
        side=alarm.side,
        bound="limit" if alarm.level > 1 else "warning",
    )
    if alarm.assumed:
        return f"{words} since the restart of the logger"
    return f"{words}, after {lasted}"


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _worse(alarm: Alarm, value: float | None) -> float | None:
    if value is None or alarm.worst is None:
        return value if alarm.worst is None else alarm.worst
    return min(alarm.worst, value) if alarm.side == "low" else max(alarm.worst, value)
