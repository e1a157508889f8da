"""Post-mortem and report as pages: everything that is known stands there, and nothing that is not."""

from __future__ import annotations

import dataclasses
from datetime import UTC

import pytest

from rig import forensics
from rig.domain.model import Event, EventKind, Status
from rig.forensics.answer import Attribution, AttributionEvidence, Role
from rig.render.charts.drawing import Area, Label
from rig.render.pages import channel_sections, death_charts, html, markdown, postmortem_page, run_report
from rig.render.pages.blocks import PagePicture, ReportPage
from rig.render.postmortem_text import ordered_stories
from tests.render import recordings, results
from tests.render.pages.pagecheck import headings, holds, parsed, said, tables
from tests.render.recordings import Recording, layout

HOSTILE = "A3<script>alert('x')</script>"


@pytest.fixture(scope="module")
def recording() -> Recording:
    return Recording(layout())


@pytest.fixture(scope="module")
def report(recording: Recording) -> ReportPage:
    return run_report.page(channel_sections.gather(recording, recordings.facts(), UTC))


@pytest.fixture(scope="module")
def death_page(recording: Recording) -> ReportPage:
    return postmortem_page.page(forensics.analyse(recording), recording, UTC)


def pictures(page: ReportPage) -> dict[str, PagePicture]:
    return {block.name: block for block in page.blocks if isinstance(block, PagePicture)}


def row(page: ReportPage, first: str, title: str) -> list[str]:
    """Return the row that begins with ``first`` of the table whose first title is ``title``."""
    found = [table for table in tables(parsed(html.write(page))) if table[0][0] == title]
    return next(cells for table in found for cells in table if cells[0] == first)


def test_a_post_mortem_page_answers_first_and_shows_the_three_pictures(death_page: ReportPage) -> None:
    root = parsed(html.write(death_page))
    words = said(root)
    assert words.index("Result") < words.index("A failed unit may hold") < words.index("Limit crossings")
    assert set(pictures(death_page)) == {"order", "around", "before"}
    assert not holds(
        words,
        [
            "unit A2",
            "2030-03-20 16:0",
            "A2.heatsink",
            "Sequence of excursions",
            "above 95 degC",
            "below 18 V",
        ],
    )


def test_every_section_of_the_answer_is_on_the_page() -> None:
    """The made-up answer has something in every section; its channels are not in the recording's room."""
    names = ("A1.heatsink", "A1.volts", "A2.heatsink", "A2.volts")
    found = results.post_mortem(names)
    known = tuple(story for story in found.channels if story.channel in (*names, "tone"))
    found = dataclasses.replace(found, channels=tuple(s for s in known if s.channel != "tone"))
    page = postmortem_page.page(found, Recording(layout()), UTC)
    words = said(parsed(html.write(page)))
    assert not holds(
        words,
        [
            "Limitations", "the clock was not synchronised", "Order undetermined (2 pairs)",
            "63 %",
            "99 %", "50 ms sampling", "Onset (first deviation from baseline)", "70.04 ±0.12", "no onset seen",
            "Cause and evidence", "the fan stopped, then heat rose", "speed fell from 980 to 760 rpm",
            "ruled out if: a fan supply", "Cycling", "one every 42 s", "Consequences",
            "protection tripped", "Earlier excursions, returned to normal (1)", "Other units and room",
            "within limits, unchanged", "fan guard touched", "3 polls of scanner passed over",
        ],
    )  # fmt: skip
    assert "told elsewhere" not in words
    assert "100 %" not in words.split("Order undetermined")[1].split("Onset (first")[0]


def test_a_sensor_that_is_blamed_is_answered_and_shown_though_no_limit_was_left() -> None:
    blamed = Attribution(
        role=Role.SENSOR,
        subject="A1.heatsink",
        weight=0.9,
        text="sensor open",
        main=True,
        evidence=(
            AttributionEvidence(subject="A1.heatsink", t_ns=recordings.at(30), text="no reply from here on"),
        ),
    )
    found = dataclasses.replace(
        forensics.analyse(Recording(layout()), unit="A1"), findings=(blamed,), reference_ns=recordings.at(30),
        episode_ns=None,
    )  # fmt: skip
    page = postmortem_page.page(found, Recording(layout()), UTC)
    words = said(parsed(html.write(page)))
    assert not holds(
        words, ["sensor (A1.heatsink), not the unit: sensor open", "2030-03-18 23:46:40.0 UTC", "Check first"]
    )
    drawn = pictures(page)["around"].wide
    titles = (part.text for part in drawn.parts if isinstance(part, Label) and part.look == "strong")
    assert next(titles) == "A1.heatsink, degC"


def test_a_recording_in_which_nothing_failed_has_a_page_that_says_so() -> None:
    page = postmortem_page.page(results.nothing(), Recording(layout()), UTC)
    words = said(parsed(html.write(page)))
    assert "no channel left its limits" in words
    assert not pictures(page)


def test_the_minutes_around_hold_the_whole_cascade_and_mark_its_crossings(
    recording: Recording, death_page: ReportPage
) -> None:
    found = forensics.analyse(recording)
    start_ns, end_ns = death_charts.around_window(found)
    for _, excursion in ordered_stories(found):
        assert start_ns < excursion.first_outside.t_ns < end_ns
    drawing = pictures(death_page)["around"].wide
    marks = [part for part in drawing.parts if isinstance(part, Area) and part.look == "crossing"]
    assert len(marks) == len(found.order.channels)
    titles = [part.text for part in drawing.parts if isinstance(part, Label) and part.look == "strong"]
    assert titles[:2] == ["1.  A2.heatsink, degC", "2.  A2.volts, V"]
    assert any(part.look == "other" for part in drawing.parts)


def test_the_report_says_what_was_tested_and_what_happened(report: ReportPage) -> None:
    words = said(parsed(html.write(report)))
    assert not holds(
        words,
        [
            "out of limits at the end: A2", "71.0 h of 504.0 h planned in 2 sessions", "Not recorded 1.0 h",
            "warm-up", "high mains", "fan guard touched", "session 1 ended without a stop",
            "high limit 90 degC -> 95 degC", "meter reports -113",
        ],
    )  # fmt: skip
    assert row(report, "A1", "unit")[4] == "shorter than the on-delay"
    assert "50 K beyond its high limit 90" in row(report, "A1", "unit")[5]  # the one in force then
    assert row(report, "A2", "unit")[4] == "2 on 2 channels, first A2.heatsink"


def test_excursions_carry_limit_worst_and_length(report: ReportPage) -> None:
    heat = row(report, "2030-03-20 16:07:00.0 UTC", "first outside")
    assert heat[1:3] == ["A2.heatsink", "above 95 degC"]
    assert heat[4] == "still out at end"


def test_limits_that_were_changed_hold_only_for_the_sessions_they_stood_in() -> None:
    """The heat of phase one lies between the first session's limit and the second's."""
    warm = Recording(layout(limit=95.0))
    limits = {number: warm.layouts[number].channels["A1.heatsink"].limits[0].value for number in (1, 2)}
    assert limits == {1: 90.0, 2: 95.0}
    lower = dict(warm.layout.channels)
    heat = lower["A1.heatsink"]
    lower["A1.heatsink"] = dataclasses.replace(
        heat, limits=tuple(dataclasses.replace(limit, value=70.0) for limit in heat.limits)
    )
    shifted = Recording(dataclasses.replace(warm.layout, channels=lower))
    found = channel_sections.gather(shifted, recordings.facts()).channels["A1.heatsink"].excursions
    assert [one.limit for one in found] == [70.0]
    assert found[0].start_ns >= recordings.at(recordings.AGAIN_H)


def test_what_was_missed_is_counted_in_hours_and_named(report: ReportPage) -> None:
    words = said(parsed(html.write(report)))
    assert "72.0 h from first to last record: sessions running for 71.0 h" in words
    assert row(report, "2030-03-18 23:46:40 UTC", "start")[1:4] == [
        "instrument offline",
        "scanner",
        "2 h",
    ]
    gap = row(report, "2030-03-19 09:46:40 UTC", "start")
    assert gap[1:4] == ["nothing recorded", "run", "1 h"]
    assert "the machine was restarted in between" in gap[4]


def test_instruments_are_judged_by_their_readings(report: ReportPage) -> None:
    per_channel = 2 * 3600 // recordings.PERIOD_S
    scanner = row(report, "scanner", "instrument")
    assert scanner[3] == f"{2 * per_channel:,}: no reply {2 * per_channel:,}"
    assert scanner[4] == "1 time"
    assert row(report, "meter", "instrument")[3:] == ["none", "never", "1", "3.25 ms"]


def test_calibration_that_ran_out_during_the_run_is_said(report: ReportPage) -> None:
    assert row(report, "A1.volts", "channel")[1:3] == [
        "1.002 × reading - 0.01 V", "EXPIRED during the run: due 2030-03-18",
    ]  # fmt: skip
    assert row(report, "mains", "channel")[1:] == ["as read", "valid: due 2031-01-01", "0.5 V"]
    assert "No calibration stated in the rig file for 2 channels: A1.heatsink, A2.heatsink." in said(
        parsed(html.write(report))
    )


def test_the_rig_file_is_there_with_its_hash_and_what_changed(report: ReportPage) -> None:
    root = parsed(html.write(report))
    texts = [one.text or "" for one in root.iter("pre")]
    assert texts[0] == recordings.RIG_FILE.expandtabs(4).rstrip("\n")
    assert '{serial: "0018"}' in texts[1]
    assert "SHA-256 " + "a" * 64 in said(root)
    assert "ENDED WITHOUT A STOP" in row(report, "1", "session")


def test_one_reading_that_strayed_in_three_days_is_seen_in_both_widths(report: ReportPage) -> None:
    strayed = pictures(report)["unit-a1"]
    for drawing in (strayed.wide, strayed.narrow):
        outlines = [part.points for part in drawing.parts if isinstance(part, Area) and part.look == "s1"]
        first = [points for points in outlines if points[:, 1].max() < 160]
        tops = sorted(points[:, 1].min() for points in first)
        assert tops[1] - tops[0] > 20
        bad = [part for part in drawing.parts if isinstance(part, Area) and part.look == "bad"]
        assert len(bad) == 1
        assert any(isinstance(part, Label) and "no reply 360" in part.text for part in drawing.parts)
        assert any(isinstance(part, Area) and part.look == "gap" for part in drawing.parts)


def test_names_and_serials_from_outside_stay_words_on_every_page() -> None:
    hostile = Recording(
        layout((HOSTILE, "A4|`b`"), serial='"><img src=x onerror=alert(1)>'),
        extra=(
            Event(
                kind=EventKind.NOTE, t_ns=recordings.at(9), session=1, seq=9, subject="run",
                text="</td><svg onload=alert(1)>",
            ),
        ),
    )  # fmt: skip
    whole = run_report.page(channel_sections.gather(hostile, recordings.facts(name="<b>run</b>"), UTC))
    dead = postmortem_page.page(forensics.analyse(hostile), hostile, UTC)
    for page in (whole, dead):
        made = html.write(page)
        words = said(parsed(made))
        assert "A4|`b`" in words
        assert "<script" not in made
        assert "<img" not in made
        written = markdown.write(page, "x")
        assert not holds(written.text, [r"A4\|\`b\`"])
        assert all("/" not in name and "<" not in name for name in written.pictures)
    assert HOSTILE in said(parsed(html.write(whole)))


def test_a_run_without_events_sessions_or_readings_has_a_report() -> None:
    empty = Recording(layout())
    empty.lived, empty.happened = (), ()
    empty.data = {name: Recording(layout()).series(name, 5, 5) for name in empty.layout.channels}
    page = run_report.page(
        channel_sections.gather(empty, recordings.facts(configs=(), skipped=("a.parquet: torn",)), UTC)
    )
    words = said(parsed(html.write(page)))
    assert not holds(words, ["no excursion on 2 units", "no readings", "No event was recorded.", "torn"])


def test_the_cautions_are_on_every_report(report: ReportPage) -> None:
    words = said(parsed(html.write(report)))
    assert "Neither is a safety device" in words.split("Units under test")[0]
    assert "Cautions" in headings(parsed(html.write(report)))
    assert "a variac does not isolate" in words.split("Short post-mortems")[2].split("Check first")[0]
    assert "a variac does not isolate" in words.split("Excursions (")[-1]


def test_times_stand_in_the_local_zone_and_in_utc(recording: Recording) -> None:
    from zoneinfo import ZoneInfo

    page = run_report.page(channel_sections.gather(recording, recordings.facts(), ZoneInfo("Europe/Berlin")))
    assert "2030-03-17 18:46:40 +01:00 = 17:46:40 UTC" in said(parsed(html.write(page)))


def test_statuses_have_words() -> None:
    from rig.render.charts.panel import STATUS_WORDS

    assert set(STATUS_WORDS) == set(Status) - {Status.GOOD}


def test_a_session_that_only_took_down_a_note_is_no_part_of_what_happened_but_its_note_is() -> None:
    noted = (
        recordings.event(EventKind.SESSION_START, recordings.END_H + 5, "run", "for an order", brief=True),
        recordings.event(EventKind.NOTE, recordings.END_H + 5, "A2", "fan seized"),
    )
    words = said(
        parsed(
            html.write(
                run_report.page(channel_sections.gather(Recording(layout(), noted), recordings.facts(), UTC))
            )
        )
    )
    assert "fan seized" in words
    assert "for an order" not in words
