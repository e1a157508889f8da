"""Test program and switching, as printed by ``soakrig check``."""

from __future__ import annotations

from rig.domain.formatting import counted, duration, plain
from rig.domain.limit_history import in_words
from rig.domain.program import Phase, Program, each, wait_s
from rig.domain.source_groups import source_groups, sources_of
from rig.domain.switching import CAUTION
from rig.render.text_layout import table, titled, wrapped
from rig.rigfile.config import RigConfig

_SOURCE_CAUTION = "soakrig sets these unattended; hard-wired limits must work without it"


def lines(config: RigConfig, width: int) -> list[str]:
    """Return the lines about program, sources and switching off; none where the rig file has none."""
    found: list[str] = []
    program = config.layout.program
    if program is not None:
        found += titled("Test program", width) + _program(program, config, width)
    if config.switch_offs:
        found += titled("Switched off on a trip limit", width)
        found += wrapped(CAUTION, width)
        rows: list[tuple[str, ...]] = [("unit", "instrument", "commands", "verified off", "tries")]
        for one in config.switch_offs.values():
            bound = f"below {one.high:g}" if one.high < float("inf") else f"above {one.low:g}"
            unit = config.layout.channels[one.channel].unit_of_measure
            seen = f"{one.channel} {bound} {unit} within {duration(one.within_s)}"
            rows.append((one.unit, one.instrument, plain("; ".join(one.commands)), seen, str(one.tries)))
        found += table(rows, width)
    return found


def _program(program: Program, config: RigConfig, width: int) -> list[str]:
    steps = program.steps
    planned_s = sum(one.phase.duration_s or 0.0 for one in steps)
    passes = counted(program.passes, "pass", "passes")
    text = f"{counted(len(steps), 'step')} in {passes} of {', '.join(program.order)}; "
    text += f"{duration(planned_s)} within targets"
    if any(one.phase.duration_s is None for one in steps):
        text += ", and steps without a planned time"
    found = wrapped(text, width)
    if planned_s > config.planned_s:
        found += wrapped(f"longer than the planned {duration(config.planned_s)} of the run", width)
    found += _groups(config, width)
    for phase in program.phases:
        first = f"{phase.name}{' (once)' if phase.once else ''}: "
        found += wrapped(_words(phase, program, config), width, first, "    ")
    for phase in program.phases:
        for channel, limits in phase.limits.items():
            unit = config.layout.channels[channel].unit_of_measure
            found += wrapped(f"{phase.name}: {channel} {in_words(limits, unit)}", width)
    if program.sources:
        found += wrapped(_SOURCE_CAUTION, width)
        for channel, source in program.sources.items():
            unit = config.layout.channels[channel].unit_of_measure
            words = f"{channel}: {plain(source.command)} to {source.instrument}, limited to "
            found += wrapped(f"{words}{source.lowest:g} to {source.highest:g} {unit}", width)
    return found


def _groups(config: RigConfig, width: int) -> list[str]:
    """Return who goes through the program together, where that is not simply everybody by one source."""
    groups = source_groups(config.layout)
    found: list[str] = []
    for group in groups if len(groups) > 1 else []:
        sources = ", ".join(sorted(group.sources)) or "no source named"
        found += wrapped(f"{', '.join(group.units)} ({sources})", width, "for itself: ", "    ")
    for group in groups:
        if len({sources_of(config.layout, unit) for unit in group.units}) > 1:
            text = f"{', '.join(group.units)} share a source that has to change, so they go step by step"
            found += wrapped(
                f"{text} together; each has time only while its own sources are on target", width
            )
    return found


def _words(phase: Phase, program: Program, config: RigConfig) -> str:
    targets = []
    for channel, one in phase.targets.items():
        name = each(channel, config.layout.units)[0]
        unit = config.layout.channels[name].unit_of_measure
        by = " (set)" if channel in program.sources else ""
        targets.append(f"{channel} {one.value:g} ± {one.tolerance:g} {unit}{by}")
    parts = [", ".join(targets) or "no targets", f"ends {_end(phase)}"]
    before = _before(phase)
    if before:
        parts.append(f"before time counts: {before}")
    if phase.drive is not None:
        parts.append(f"{phase.drive.channel} {phase.drive.on_s:g} s on, {phase.drive.off_s:g} s off")
    if phase.load:
        parts.append(f"load: {plain(phase.load)}")
    limit_s = wait_s(phase, program)
    if limit_s is not None:
        parts.append(f"told again after {duration(limit_s)} off target")
    return "; ".join(parts)


def _end(phase: Phase) -> str:
    ends = []
    if phase.duration_s is not None or phase.count is not None:
        parts = [] if phase.duration_s is None else [duration(phase.duration_s)]
        parts += [] if phase.count is None else [counted(phase.count, "cycle")]
        ends.append(f"after {' and '.join(parts)}")
    if phase.until:
        ends.append("when " + " and ".join(_bounds(one.channel, one.low, one.high) for one in phase.until))
    return ", ".join(ends) or "by hand"


def _bounds(channel: str, low: float, high: float) -> str:
    above = f" above {low:g}" if low > float("-inf") else ""
    below = f" below {high:g}" if high < float("inf") else ""
    return f"{channel}{above}{below}"


def _before(phase: Phase) -> str:
    waits = []
    if phase.ramp_s:
        waits.append(f"{duration(phase.ramp_s)} of ramp")
    if phase.warm_up_s:
        waits.append(f"{duration(phase.warm_up_s)} of warm-up")
    waits += [f"{one.channel} steady to {one.within:g} in {duration(one.over_s)}" for one in phase.steady]
    return ", ".join(waits)
