"""Report of a run: units, events, pictures, outages, instruments, calibration, files."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

from rig import __version__, forensics
from rig.domain.formatting import counted, duration, figure, stamp
from rig.domain.incidents import incidents, open_count
from rig.domain.model import Unit
from rig.domain.units import difference_unit
from rig.endurance.phases_in_force import in_force
from rig.errors import SoakrigError
from rig.render import incidents_text, run_facts, unrecorded
from rig.render.channel_survey import Surveyed
from rig.render.pages import channel_sections, death_charts, recording_sections
from rig.render.pages.blocks import Block, Bullets, FactList, Heading, Paragraph, ReportPage, Table
from rig.render.pages.channel_sections import Material, out_of
from rig.render.postmortem_text import CAUTION, answer_facts
from rig.render.text_layout import both_times
from rig.store.reader import RunReader

MOST_DEATHS = 6

NO_SAFETY_DEVICE = """\
This report comes from instrument readings through software. Neither is a safety device: hard-wired thermal
cut-outs, fuses, residual-current protection and smoke detection are, and they must work with the computer
switched off."""
FAILED_UNITS = """\
A unit that failed may hold charged capacitors and hot parts, and may put the supply rail on its load. Let
competent persons discharge and open it; a variac does not isolate from the mains."""
NOT_SEEN = """\
No recorded excursion does not mean none: what lies between two readings, in a gap, or beyond the bandwidth
of a sensor is not in the recording."""
CAUTIONS = tuple(" ".join(words.split()) for words in (NO_SAFETY_DEVICE, FAILED_UNITS, NOT_SEEN))


def report(path: Path) -> ReportPage:
    """Return the page of the run at ``path``. Raises StoreError where it is none."""
    run = RunReader.open(path)
    material = channel_sections.gather(run, run_facts.facts(run))
    # files that cannot be read are found while they are read
    return page(dataclasses.replace(material, facts=run_facts.facts(run)))


def page(material: Material) -> ReportPage:
    """Return the page of a run."""
    blocks: list[Block] = [FactList(pairs=tuple(_summary(material)))]
    blocks += [Paragraph(text=CAUTIONS[0], warning=True)]
    blocks += _tested(material)
    blocks += _incidents(material)
    blocks += _deaths(material)
    blocks += channel_sections.excursions(material)
    blocks += channel_sections.events(material)
    blocks += channel_sections.pictures(material)
    blocks += recording_sections.missed(material.missed, material.recording.sessions, material.recording.span)
    blocks += recording_sections.instruments(material.recording.layout, material.channels, material.events)
    blocks += recording_sections.calibration(material.recording.layout, material.recording.span)
    blocks += recording_sections.sessions(material.recording.sessions, material.facts)
    blocks += recording_sections.configuration(material.facts, material.events)
    blocks += recording_sections.limits(material.recording.layout)
    blocks += recording_sections.software(material.facts, material.recording.sessions)
    blocks += [Heading(text="Cautions"), Bullets(items=CAUTIONS)]
    return ReportPage(
        title=f"Run {material.facts.name} of rig {material.facts.rig}",
        blocks=tuple(blocks),
        contents=True,
        foot=f"Written by soakrig {__version__} from the recording alone. Times are UTC unless said.",
    )


def _summary(material: Material) -> list[tuple[str, str]]:
    facts, layout = material.facts, material.recording.layout
    start_ns, end_ns = material.recording.span
    recorded_s = unrecorded.recorded_s(material.recording.sessions)
    missing_s = sum((one.end_ns or end_ns) - one.start_ns for one in material.missed if one.everything) / 1e9
    failed = [name for name in layout.units if any(one.open_at_end for one in out_of(material, name))]
    left = [name for name in layout.units if out_of(material, name) and name not in failed]
    verdict = [f"out of limits at the end: {', '.join(failed)}"] if failed else []
    verdict += [f"out of limits at times: {', '.join(left)}"] if left else []
    sessions = sum(not one.brief for one in material.recording.sessions)
    plan = f" of {recording_sections.hours(facts.planned_s)} planned" if facts.planned_s else ""
    ended = f" ({facts.ended})" if facts.ended else ""
    readings = sum(one.readings for one in material.channels.values())
    return [
        ("Units", "; ".join(verdict) or f"no excursion on {counted(len(layout.units), 'unit')}"),
        ("State", f"{facts.state}{ended}"),
        ("Start", both_times(start_ns, material.zone, 0)),
        ("Last record", both_times(end_ns, material.zone, 0)),
        (
            "Recorded",
            f"{recording_sections.hours(recorded_s)}{plan} in {counted(sessions, 'session')}",
        ),
        (
            "Not recorded",
            recording_sections.hours(missing_s) if missing_s else "no gap between first and last record",
        ),
        ("Readings", f"{readings:,} on {counted(len(material.channels), 'channel')}"),
    ]


def _tested(material: Material) -> list[Block]:
    layout = material.recording.layout
    rows = [_unit_row(material, unit) for unit in layout.units.values()]
    titles = ("unit", "serial", "load", "channels", "excursions", "smallest margin")
    blocks: list[Block] = [Heading(text="Units under test")]
    if rows:
        blocks.append(Table(titles=titles, rows=tuple(rows), right=frozenset({3})))
    else:
        blocks.append(Paragraph(text="No unit in the rig file; all channels belong to the room."))
    program = in_force(material.events, material.recording.span)
    if program:
        several = any(one.group for one in program)
        rows_ = tuple(
            (
                stamp(one.start_ns), one.phase, str(one.number), duration((one.end_ns - one.start_ns) / 1e9),
                *([", ".join(one.group)] if several else []),
            )
            for one in program
        )  # fmt: skip
        titles_ = ("start", "phase", "pass", "length", *(["units"] if several else []))
        blocks.append(Table(titles=titles_, rows=rows_, caption="Recorded phases"))
    return blocks


def _unit_row(material: Material, unit: Unit) -> tuple[str, ...]:
    mine = [material.channels[name] for name in unit.channels if name in material.channels]
    out = out_of(material, unit.name)
    count = sum(len(one.excursions) for one in out)
    words = "none"
    if any(extreme.margin < 0 for one in mine for extreme in one.extremes):
        words = "shorter than the on-delay"
    if count:
        words = f"{count:,} on {counted(len(out), 'channel')}, first {out[0].channel.name}"
    return (unit.name, unit.serial, unit.load, str(len(unit.channels)), words, _closest(mine))


def _closest(channels: Sequence[Surveyed]) -> str:
    known = [(one, one.narrowest) for one in channels if one.narrowest is not None]
    if not known:
        return "no limit or no good reading"
    one, extreme = min(known, key=lambda pair: pair[1].margin / (abs(pair[1].limit.value) or 1.0))
    measure = one.channel.unit_of_measure
    side = "within" if extreme.margin >= 0 else "beyond"
    return (
        f"{one.channel.name} {figure(extreme.value, near=extreme.limit.value)} {measure}, "
        f"{figure(abs(extreme.margin), 3)} {difference_unit(measure)} "
        f"{side} its {extreme.limit.side.value} limit {figure(extreme.limit.value)}"
    )


def _incidents(material: Material) -> list[Block]:
    """Return the incidents with their dispositions, and a history of each that has more than its opening."""
    layout = material.recording.layout
    found = incidents(material.events, layout)
    if not found:
        return []
    waiting = open_count(found)
    blocks: list[Block] = [Heading(text="Incidents")]
    if waiting:
        words = f"{waiting} of {len(found)} open: soakrig incident RUN NUMBER says what to do with one."
        blocks += [Paragraph(text=CAUTION, warning=True), Paragraph(text=words)]
    titles = ("number", "unit", "serial", "when (UTC)", "what", "status")
    blocks.append(Table(titles=titles, rows=tuple(incidents_text.rows(found)), right=frozenset({0})))
    said = [
        f"{one.number}: {incidents_text.linked(one, found, layout.units)}" for one in found if one.members
    ]
    for one in found:
        said += [f"{one.number}: {stamp(t_ns)}, {text}" for t_ns, text in incidents_text.history(one)]
        said += [f"{one.number}: file incidents/{f.number}/{f.name}, SHA-256 {f.sha256}" for f in one.files]
    return [*blocks, Bullets(items=tuple(said))]


def _deaths(material: Material) -> list[Block]:
    """Return a short post-mortem of each unit with an excursion, the worst first."""
    units = [name for name in material.recording.layout.units if out_of(material, name)]
    units.sort(key=lambda name: (
        not any(one.open_at_end for one in out_of(material, name)),
        out_of(material, name)[0].excursions[0].start_ns,
    ))  # fmt: skip
    if not units:
        return []
    blocks: list[Block] = [
        Heading(text="Short post-mortems"),
        Paragraph(text=CAUTION, warning=True),
    ]
    for name in units[:MOST_DEATHS]:
        blocks.append(Heading(text=f"Unit {name}", level=3))
        try:
            found = forensics.analyse(material.recording, unit=name)
        except SoakrigError as error:
            blocks.append(Paragraph(text=f"No post-mortem: {error}"))
            continue
        blocks.append(FactList(pairs=tuple(answer_facts(found, material.zone))))
        picture = death_charts.timeline(found)
        if picture is not None:
            blocks.append(picture)
    if len(units) > MOST_DEATHS:
        blocks.append(Paragraph(text=f"Also out of limits: {', '.join(units[MOST_DEATHS:])}.", quiet=True))
    words = "Complete post-mortem: soakrig postmortem RUN --unit NAME --page FILE.html"
    return [*blocks, Paragraph(text=words, quiet=True)]
