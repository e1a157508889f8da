"""One case judged: every figure is a plain row, so that tables and tests can count them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from rig.forensics import analyse
from rig.forensics.answer import CrossingExcursion, PostMortem
from tests.verify.best import best_interval
from tests.verify.cases import START_NS, Case, make
from tests.verify.derived import RISE


@dataclass
class Crossed:
    """One stated crossing interval against the truth (seconds)."""

    channel: str
    covered: bool
    phantom: bool
    width_s: float
    best_s: float
    method: str
    jump: bool
    ordered: bool
    early_s: float = 0.0
    late_s: float = 0.0
    truth_s: float = 0.0
    derived: bool = False


@dataclass
class Judged:
    """All figures of one case."""

    seed: int
    kind: str
    stratum: dict[str, str]
    crossings: list[Crossed] = field(default_factory=list)
    certain: int = 0
    wrong: int = 0
    derived_certain: int = 0
    derived_wrong: int = 0
    orderable: int = 0
    ordered: int = 0
    missed: int = 0
    expected: list[str] = field(default_factory=list)
    said: str = ""
    right_unit: bool = True
    onsets: list[tuple[str, float, float, float]] = field(default_factory=list)
    onset_missed: int = 0
    quiet_days: float = 0.0
    false_onsets: int = 0
    notes: list[str] = field(default_factory=list)


def judge(seed: int, kind: str | None = None, *, derived: bool = False) -> Judged:
    """Return the figures of one seed; ``derived``: see ``make``."""
    case = make(seed, kind, derived=derived)
    return compare(case, analyse(case, unit=case.victim))


def compare(case: Case, answer: PostMortem) -> Judged:
    """Return the figures of one answer against the truth of its case."""
    s = case.stratum
    stratum = {"poll": f"{s.poll_s:g}", "jitter": s.jitter, "noise": s.noise, "resolution": s.resolution,
               "lag": s.lag, "drops": s.drops, "accuracy": s.accuracy}  # fmt: skip
    judged = Judged(seed=case.seed, kind=case.kind, stratum=stratum, expected=sorted(case.trouble.roles))
    crossings(case, answer, judged)
    pairs(case, answer, judged)
    if not any(_truly_left(case, s.channel) for s in answer.channels) and case.trouble.roles <= {
        "rig",
        "unit",
    }:
        judged.expected = ["none"]  # too weak a trouble: nothing of this unit ever left its limits
    judged.said = answer.main.role.value if answer.main else "none"
    onsets(case, answer, judged)
    return judged


def truth_of(case: Case, excursion: CrossingExcursion) -> float | None:
    """Return the true departure nearest to a stated interval; None where the channel never left."""
    found = case.truth[excursion.channel].departures.get((excursion.side.value, excursion.limit), [])
    if not found or excursion.interval.best_ns is None:
        return None
    stated = (excursion.interval.best_ns - START_NS) / 1e9
    return float(min(found, key=lambda d: abs(d - stated)))


def crossings(case: Case, answer: PostMortem, judged: Judged) -> None:
    """Judge every counted, sure excursion of every channel that could be seen."""
    for story in answer.channels:
        truth = case.truth[story.channel]
        if truth.blind:
            continue
        counted = [e for e in story.excursions if e.part == 1 and e.sure and e.last_inside is not None]
        counted = [e for e in counted if _defined(case, e)]
        for excursion in counted[:5]:
            judged.crossings.append(_crossed(case, excursion, excursion is story.ordered))
        judged.missed += _missed(case, story.channel, len(counted))


def _truly_left(case: Case, channel: str) -> bool:
    return any(case.truth[channel].departures.values())


def _defined(case: Case, excursion: CrossingExcursion) -> bool:
    """Return whether the quantity existed at that moment: a load has no resistance without a current."""
    undefined = case.truth[excursion.channel].undefined
    k = int((excursion.first_outside.t_ns - START_NS) / 1e9 / case.dt)
    poll = int(case.stratum.poll_s / case.dt) + 1
    return undefined is None or not bool(undefined[max(k - poll, 0) : k + 2].any())


def _missed(case: Case, channel: str, counted: int) -> int:
    found = sum(len(d) for d in case.truth[channel].departures.values())
    last = case.span[1] / 1e9 - START_NS / 1e9 - 5 * case.stratum.poll_s
    long_before_end = any(x < last for d in case.truth[channel].departures.values() for x in d)
    return int(counted == 0 and found > 0 and long_before_end)


def _crossed(case: Case, excursion: CrossingExcursion, ordered: bool) -> Crossed:
    interval = excursion.interval
    assert interval.earliest_ns is not None
    assert interval.latest_ns is not None
    early, late = (interval.earliest_ns - START_NS) / 1e9, (interval.latest_ns - START_NS) / 1e9
    true_s = truth_of(case, excursion)
    truth = case.truth[excursion.channel]
    stated = Crossed(
        channel=excursion.channel,
        covered=False,
        phantom=true_s is None,
        width_s=late - early,
        best_s=np.nan,
        method=interval.method.value,
        jump=False,
        ordered=ordered,
        early_s=early,
        late_s=late,
        derived=is_derived(excursion.channel),
    )
    if true_s is None:
        return stated
    best = best_interval(truth, case.dt, case.data[excursion.channel], true_s)
    near = truth.x[:, max(round(true_s / case.dt) - 1, 0) : round(true_s / case.dt) + 2]
    return replace(
        stated,
        covered=early <= true_s <= late,
        best_s=best[1] - best[0],
        jump=bool(np.any(np.abs(near[1] - near[0]) > 1e-9)),
        truth_s=true_s,
    )


def pairs(case: Case, answer: PostMortem, judged: Judged) -> None:
    """Judge the stated order against the true one and against what could have been ordered."""
    when: dict[str, float] = {}
    best: dict[str, tuple[float, float]] = {}
    for name in answer.order.channels:
        excursion = answer.story(name).ordered
        true_s = truth_of(case, excursion) if excursion else None
        if excursion is None or true_s is None or case.truth[name].blind or excursion.last_inside is None:
            continue
        if not _defined(case, excursion):
            continue
        when[name] = true_s
        best[name] = best_interval(case.truth[name], case.dt, case.data[name], true_s)
    for pair in answer.order.pairs:
        if pair.first not in when or pair.second not in when:
            continue
        a, b = best[pair.first], best[pair.second]
        can = a[1] < b[0] or b[1] < a[0]
        judged.orderable += can
        judged.ordered += can and pair.certain
        judged.certain += pair.certain
        wrong = pair.certain and when[pair.first] >= when[pair.second]
        judged.wrong += wrong
        if is_derived(pair.first) or is_derived(pair.second):
            judged.derived_certain += pair.certain
            judged.derived_wrong += wrong
        if wrong:
            judged.notes.append(
                f"wrong: {pair.first} {when[pair.first]:.3f} !< {pair.second} {when[pair.second]:.3f}"
            )


def is_derived(channel: str) -> bool:
    """Return whether a channel is a rise over ambient."""
    return channel.endswith(f".{RISE}")


QUIET_KINDS = frozenset({"nothing"})


def onsets(case: Case, answer: PostMortem, judged: Judged) -> None:
    """Judge onsets: of the victim's channels against the truth, and false ones on quiet channels."""
    days = (case.span[1] - case.span[0]) / 86400e9
    for story in answer.channels:
        truth = case.truth[story.channel]
        if truth.blind:
            continue
        if truth.onset_s is None:
            judged.quiet_days += days
            judged.false_onsets += story.onset is not None
            continue
        if story.ordered is None or judged.expected != ["unit"]:
            continue
        crossing = truth_of(case, story.ordered)
        if crossing is None or crossing - truth.onset_s[1] < 5 * case.stratum.poll_s:
            continue
        if story.onset is None or story.onset.interval.best_ns is None:
            judged.onset_missed += 1
            continue
        said = (story.onset.interval.best_ns - START_NS) / 1e9
        early = ((story.onset.interval.earliest_ns or 0) - START_NS) / 1e9
        late = ((story.onset.interval.latest_ns or 0) - START_NS) / 1e9
        begun, shown = truth.onset_s
        error = min(said - begun, 0.0) + max(said - shown, 0.0)
        judged.onsets.append(
            (story.channel, error, crossing - begun, float(early <= shown and late >= begun))
        )
