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
from dataclasses import replace
from typing import Any, Final

from rig.alerts.alarm import Alarm
from rig.alerts.alarm_kinds import (
    CLOSES,
    EACH,
    LASTING,
    MOMENTARY,
    OF_THE_DISK,
    OPENS,
    SILENT,
    Opens,
    category_of,
    number,
    over_words,
    worse_of,
)  # fmt: skip
from rig.alerts.facts import (
    Fact,
    crossing_words,
    group_of,
    harmless,
    instruments_behind,
    where_to_look,
)
from rig.alerts.first_out import ExcursionTimes
from rig.alerts.severity import Severity, severity_of
from rig.alerts.unit_alarms import (
    FAILED,
    UNPOWERED,
    KnownStates,
    StateReport,
    failed_key,
    failure,
    failure_words,
    is_explained,
    retraction,
    since_ns,
    unit_place,
)  # fmt: skip
from rig.domain.formatting import duration, quantity
from rig.domain.model import Event, EventKind, Layout, Status
from rig.domain.recorded_excursions import LIMIT_CEASED, left_open, names_what_it_goes_on_with, says_again
from rig.rigfile.alerts_section import Alerts

_SECOND: Final = 1_000_000_000
TRIP_LEVEL: Final = 3
"""Level of the alarm of a trip limit: above a limit's, so that it is sent where a limit already was."""


class Alarms:
    """Open alarms of a run.

    ``open``, ``next_number`` and ``states`` are the state to be kept. ``peaks``, the extreme values of open
    alarms, goes into ``open`` with every alert. ``times`` takes the readings from which a first-out is told.
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
        self.states = KnownStates()
        self.times = ExcursionTimes(layout)
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
                    worst = worse_of(known, values[place])
                    if worst is not None:
                        self.peaks[alarm.key] = worst

    def take(self, event: Event, began_ns: int | None = None) -> list[Fact]:
        """Return the alerts of an event. ``began_ns``: UTC of an excursion's first reading outside."""
        facts: list[Fact] = []
        if event.brief:
            return facts  # brief session of an order without a logger: no alarm begins or ends
        self.states.take(event)
        self.times.take(event, began_ns)
        if event.kind is EventKind.SESSION_START:
            self._assume_calm(event)
        disk_trouble = event.kind is not EventKind.STORE_FAULT or "cause" not in event.data
        if event.kind in OPENS and disk_trouble:
            facts += self._opened(event, OPENS[event.kind], began_ns or event.t_ns)
        elif event.kind in MOMENTARY:
            facts += self._happened(event, MOMENTARY[event.kind])
        if event.kind in CLOSES:
            self._closed(event, *CLOSES[event.kind])
        if event.kind in EACH:
            facts.append(self._each(event, category_of(event)))
        if event.kind is EventKind.STATE:
            facts += self._changed(event, StateReport.of(event))
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
                began_ns=newest_ns, last_ns=newest_ns, marks=("silent",), severity=Severity.LOGGER,
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
            began_ns=since_ns, last_ns=now_ns, marks=("failing",), severity=Severity.EQUIPMENT,
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

    def _opened(self, event: Event, opens: Opens, began_ns: int) -> list[Fact]:
        side = str(event.data.get("side", ""))
        key = f"{opens.word}:{event.subject}:{side}"
        severity = severity_of(event, opens.category, self._layout)
        level = TRIP_LEVEL if severity is Severity.TRIP else opens.level
        alarm = self.open.get(key)
        words = harmless(event.text)
        if opens.word == "limit":
            words = crossing_words(event, self._layout, early=opens.mark == "early")
        if alarm is None:
            alarm = Alarm(
                key=key, category=opens.category, group=self._group(event), subject=event.subject,
                headline=words, look=self._look(event, opens.word), began_ns=began_ns,
                last_ns=event.t_ns, marks=(opens.mark,), level=level, side=side, severity=severity,
                unit=str(event.data.get("unit", "")), worst=number(event.data.get("value")),
                behind=self._explained_by(event, opens.word),
            )  # fmt: skip
            if alarm.behind:
                self.open[key] = alarm
                return []
            return self._send(alarm, "new", event.t_ns, self._open_words(event))
        said = self._says_again(event, alarm)
        again = opens.mark not in alarm.marks and not said and level >= alarm.level
        alarm = replace(
            alarm,
            marks=tuple(sorted({*alarm.marks, opens.mark})),
            back_ns=None,
            assumed=False,
            ceased=False,
            last_ns=event.t_ns,
            times=alarm.times + again,
            worst=worse_of(alarm, number(event.data.get("value"))),
        )
        if level > alarm.level:
            alarm = replace(
                alarm, level=level, category=opens.category, headline=words, times=1, severity=severity
            )
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
        ceased = event.data.get("cause") == LIMIT_CEASED
        self.open[key] = replace(alarm, marks=marks, back_ns=back_ns, assumed=False, ceased=ceased)

    def _happened(self, event: Event, category: str) -> list[Fact]:
        key = f"{event.kind}:{event.subject}:{event.data.get('cause', '')}"
        alarm = self.open.get(key)
        if alarm is not None:
            self.open[key] = replace(alarm, times=alarm.times + 1, last_ns=event.t_ns)
            return []
        alarm = Alarm(
            key=key, category=category, group=self._group(event), subject=event.subject,
            headline=harmless(event.text), look=self._look(event, ""), began_ns=event.t_ns,
            last_ns=event.t_ns, momentary=True, severity=severity_of(event, category, self._layout),
        )  # fmt: skip
        return self._send(alarm, "new", event.t_ns)

    def _each(self, event: Event, category: str) -> Fact:
        return self._fact(
            what="new", category=category, severity=severity_of(event, category, self._layout),
            group=group_of(self._layout, event.subject), t_ns=event.t_ns, since_ns=event.t_ns,
            headline=harmless(event.text), look=where_to_look(self._layout, event.subject),
        )  # fmt: skip

    # ---- operating states

    def _changed(self, event: Event, change: StateReport) -> list[Fact]:
        """Return the alerts of a unit's change of state."""
        key = failed_key(change.unit)
        known = self.open.get(key)
        if change.state == FAILED:
            return self._failed(event, change, known)
        if known is not None and change.ends_a_failure:
            del self.open[key]
            if change.retracts and known.sent_level:
                return [
                    self._fact(
                        what="over", category="failed", severity=Severity.RETRACTED, group=known.group,
                        t_ns=event.t_ns, since_ns=known.began_ns, headline=retraction(event, change),
                        detail=(f"was: {known.headline}", *failure_words(event, change)),
                        goes_on=self.states.going_on(self._layout),
                    )
                ]  # fmt: skip
        if change.state == UNPOWERED:
            if is_explained(change, self.open.values()):
                return []
            if change.cause in ("unknown", "mains"):
                return self._happened(event, "switching")
        return [self._each(event, "states")]

    def _failed(self, event: Event, change: StateReport, known: Alarm | None) -> list[Fact]:
        alarm = failure(event, change, since_ns(event), unit_place(self._layout, event))
        if known is not None:
            if alarm.level <= known.level:
                return []
            alarm = replace(alarm, began_ns=known.began_ns)
        what = "new" if known is None or not known.sent_level else "worse"
        return self._send(alarm, what, event.t_ns, failure_words(event, change))

    # ---- what goes on, what is over

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
            if key.partition(":")[0] in LASTING and alarm.back_ns is None and not named:
                self.open[key] = replace(alarm, marks=(), back_ns=start.t_ns, assumed=True)

    def _send(
        self, alarm: Alarm, what: str, t_ns: int, detail: tuple[str, ...] = (), not_by: str = ""
    ) -> list[Fact]:
        self.open[alarm.key] = replace(alarm, sent_level=alarm.level, sent_ns=t_ns, sent_times=alarm.times)
        return [
            self._fact(
                what=what, category=alarm.category, group=alarm.group, t_ns=t_ns,
                since_ns=alarm.began_ns, headline=alarm.headline, detail=detail,
                look=alarm.look, not_by=not_by, severity=alarm.severity, **self._around(alarm),
            )
        ]  # fmt: skip

    def _around(self, alarm: Alarm) -> dict[str, Any]:
        """Return what a message about a unit says beyond the alarm: who goes on, and what left first."""
        if alarm.severity not in (Severity.FAILED, Severity.TRIP) or alarm.group == "room":
            return {}
        around: dict[str, Any] = {"goes_on": self.states.going_on(self._layout, alarm.group)}
        if alarm.severity is Severity.FAILED:
            around["first_out"] = self.times.first_out(alarm.group)
        return around

    def _fact(self, **words: Any) -> Fact:
        fact = Fact(number=self.next_number, **{"severity": Severity.NORMAL, **words})
        self.next_number += 1
        return fact

    # ---- words

    def _group(self, event: Event) -> str:
        return "logger" if event.subject == "run" else group_of(self._layout, event.subject)

    def _look(self, event: Event, word: str) -> str:
        if word == "store" or event.kind in OF_THE_DISK:
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
