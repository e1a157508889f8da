"""Frames: exactly as large as the terminal, nothing bad hidden, words for every colour."""

import re
from dataclasses import replace
from datetime import UTC

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from rig.domain.model import EventKind, Status
from rig.view import row_tables, screen
from rig.view.header import Canvas
from rig.view.live_view import coloured
from rig.view.screen import ScreenPage, ViewPosition, everything, frame, shares
from rig.view.snapshot import ChannelCondition, PhaseView, RunState, Snapshot
from tests.view.rooms import Feeder, busy_room, layout

ESCAPES = re.compile(r"\x1b\[[0-9;]*m")
BUSY = busy_room().picture(300.9)


def text_of(snapshot: Snapshot, look: ViewPosition, width: int, height: int) -> list[str]:
    return [t.plain for t in frame(snapshot, look, Canvas(width=width, height=height, zone=UTC))]


@pytest.mark.parametrize("page", list(ScreenPage))
@pytest.mark.parametrize(
    ("width", "height"), [(80, 24), (80, 20), (160, 48), (200, 60), (60, 12), (20, 5), (1, 1)]
)
def test_a_frame_fills_the_terminal_exactly(page: ScreenPage, width: int, height: int) -> None:
    lines = text_of(BUSY, ViewPosition(page=page), width, height)
    assert len(lines) == height
    assert {cell_len(text) for text in lines} == {width}


@given(width=st.integers(1, 260), height=st.integers(1, 70), page=st.sampled_from(list(ScreenPage)))
def test_any_size_gives_a_frame_of_that_size(width: int, height: int, page: ScreenPage) -> None:
    lines = text_of(BUSY, ViewPosition(page=page, scroll=5, unit=3), width, height)
    assert [cell_len(text) for text in lines] == [width] * height


@pytest.mark.parametrize("page", [ScreenPage.OVERVIEW, ScreenPage.CHANNELS])
@pytest.mark.parametrize(("width", "height"), [(80, 20), (200, 60)])
def test_every_alarm_of_sixty_channels_is_visible_or_counted(
    page: ScreenPage, width: int, height: int
) -> None:
    feeder = Feeder(layout(7))
    out = [f"A{k}.{quantity}" for k in range(1, 8) for quantity in ("heatsink", "bias", "power", "ripple")]
    feeder.everything(1.0, {**dict.fromkeys(out, 1e4), "A1.current": Status.NO_VALUE})
    for name in out:
        feeder.out(name, 1.0)
    snapshot = feeder.picture(3.5)
    assert len(snapshot.channels) > 60
    lines = text_of(snapshot, ViewPosition(page=page), width, height)
    counts = lines[1]
    assert counts.startswith("28 OUT  1 no value")
    if page is ScreenPage.CHANNELS:
        visible = sum(1 for text in lines if any(f"{name} " in text for name in out))
        hidden = re.search(r"(\d+) more below: (?:(\d+) OUT)?", "\n".join(lines))
        assert visible + int((hidden and hidden[2]) or 0) == 28
    else:
        for unit in snapshot.units[:3]:
            assert any(text.startswith(unit.name) for text in lines)
        shown = "\n".join(lines)
        listed = len(re.findall(r"active [\d.]+ ", shown))
        more = re.search(r"(\d+) more active", shown)
        assert listed + int(more[1] if more else 0) == 28


def test_what_does_not_fit_is_counted_with_its_words() -> None:
    lines = text_of(BUSY, ViewPosition(page=ScreenPage.CHANNELS), 80, 12)
    assert re.search(r"\d+ more below: 5 SILENT, 1 no value, 1 warning, \d+ ok", "\n".join(lines))


def test_the_unit_page_opens_with_the_unit_that_is_worst_and_steps_by_name() -> None:
    feeder = Feeder(layout(4))
    feeder.everything(1.0, {"A3.heatsink": 1e4})
    feeder.out("A3.heatsink", 1.0)
    snapshot = feeder.picture(3.5)
    for key in ("u", "tab", "c"):
        look = ViewPosition(page=ScreenPage.CHANNELS).pressed(key, snapshot, 24)
        look = look if look.page is ScreenPage.UNIT else replace(look, page=ScreenPage.UNIT)
        assert "\nA3 " in "\n".join(text_of(snapshot, look, 100, 24)), key
    again = ViewPosition().pressed("u", snapshot, 24).pressed("u", snapshot, 24)
    assert "\nA4 " in "\n".join(text_of(snapshot, again, 100, 24))


@pytest.mark.parametrize("width", [40, 60, 80])
@pytest.mark.parametrize("page", list(ScreenPage))
def test_the_way_out_is_told_at_every_width(page: ScreenPage, width: int) -> None:
    foot = text_of(BUSY, ViewPosition(page=page), width, 24)[-1]
    assert "q quit" in foot
    assert f"[{page.value}]" in foot
    assert all(other.value in foot for other in ScreenPage)


def test_where_there_is_little_room_names_have_it() -> None:
    titles = {}
    for width in (40, 60, 80):
        lines = text_of(BUSY, ViewPosition(page=ScreenPage.CHANNELS), width, 90)
        titles[width] = next(text for text in lines if text.startswith("channel")).split()
        assert all(any(text.startswith(f"{c.name} ") for text in lines) for c in BUSY.channels), width
    assert titles[40] == ["channel", "state", "value"]
    assert titles[60] == ["channel", "state", "value", "margin"]
    assert titles[80] == ["channel", "state", "value", "margin", "used", "trend", "limit", "in"]
    assert any("SILENT" in text and " old" in text for text in lines)


def test_a_value_far_finer_than_its_limits_does_not_fill_its_column_with_noise() -> None:
    (channel,) = [one for one in BUSY.channels if one.name == "A1.heatsink"]
    tiny = replace(channel, value=0.00002812, resolution=0.0, least_span=1.05)
    assert row_tables.value_cells(tiny)[0].text == "0.00"
    assert row_tables.value_cells(replace(tiny, value=71.98123))[0].text == "71.98"


def test_the_page_of_events_says_how_to_see_more_of_them() -> None:
    feeder = Feeder(layout(1))
    for at in range(60):
        feeder.out("A1.heatsink", float(at))
    lines = text_of(feeder.picture(61.0), ViewPosition(page=ScreenPage.EVENTS), 80, 20)
    assert "older: arrow down" in "\n".join(lines)


@pytest.mark.parametrize("page", list(ScreenPage))
def test_without_colour_the_same_words_stand_there(page: ScreenPage, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = frame(BUSY, ViewPosition(page=page), Canvas(width=100, height=40, zone=UTC))
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    with_colour = coloured(lines, (100, 40))
    monkeypatch.setenv("NO_COLOR", "1")
    without = coloured(lines, (100, 40))
    assert "\x1b[" in "".join(with_colour)
    assert not re.search(r"\x1b\[[0-9;]*[34][0-9]", "".join(without))
    assert [ESCAPES.sub("", text) for text in with_colour] == [ESCAPES.sub("", text) for text in without]
    assert [ESCAPES.sub("", text) for text in without] == [text.plain for text in lines]


def test_every_condition_has_a_word_and_a_style_of_its_own() -> None:
    assert len({c.value for c in ChannelCondition}) == len(ChannelCondition)
    for condition in ChannelCondition:
        assert row_tables.state_cell(condition).text == condition.value
        assert len(condition.value) <= 8


NASTY = [
    "unit [/]",
    "[link=x]a",
    "[bold red]",
    "\x1b[2J\x1b[H",
    "日本語の温度計",
    "a\nb",
    "é" * 40,
    "",
    "\u202egnp",
    "\U0001f469\u200d\U0001f680 joined",
    "\ud800",
    "%s{0}",
    "c" * 300,
]


@pytest.mark.parametrize("name", NASTY)
@pytest.mark.parametrize("page", list(ScreenPage))
def test_foreign_text_never_becomes_markup_nor_moves_the_cursor(name: str, page: ScreenPage) -> None:
    feeder = Feeder(layout(2, {0: name or "X"}))
    feeder.everything(1.0, {f"{name or 'X'}.heatsink": 99.0})
    feeder.out(f"{name or 'X'}.heatsink", 1.0)
    feeder.event(EventKind.NOTE, 2.0, name, name)
    snapshot = feeder.picture(3.5)
    lines = frame(snapshot, ViewPosition(page=page), Canvas(width=80, height=24, zone=UTC))
    assert [cell_len(text.plain) for text in lines] == [80] * 24
    raw = coloured(lines, (80, 24))
    assert [ESCAPES.sub("", text) for text in raw] == [text.plain for text in lines]
    assert "\x1b[2J" not in "".join(raw)
    "\n".join(raw).encode("utf-8", "replace")


@given(name=st.text(max_size=30), unit=st.text(max_size=12))
def test_any_name_and_unit_of_measure_keeps_the_table_in_its_columns(name: str, unit: str) -> None:
    feeder = Feeder(layout(1))
    feeder.everything(1.0)
    snapshot = feeder.picture(1.5)
    first = snapshot.units[0]
    channels = tuple(replace(c, name=name, quantity=name, unit_of_measure=unit) for c in first.channels)
    odd = replace(snapshot, rig=name, run=unit, units=(replace(first, name=name, channels=channels),))
    for page in (ScreenPage.OVERVIEW, ScreenPage.CHANNELS, ScreenPage.UNIT):
        lines = text_of(odd, ViewPosition(page=page), 80, 24)
        assert [cell_len(text) for text in lines] == [80] * 24


def test_a_row_that_cannot_be_made_says_so_and_the_header_too(monkeypatch: pytest.MonkeyPatch) -> None:
    true_row = row_tables.channel_row

    def broken(channel, columns, width, *, short=False):  # type: ignore[no-untyped-def]
        if channel.name == "A3.heatsink":
            raise RuntimeError("made to fail")
        return true_row(channel, columns, width, short=short)

    monkeypatch.setattr(screen, "channel_row", broken)
    lines = text_of(BUSY, ViewPosition(page=ScreenPage.CHANNELS), 80, 24)
    assert len(lines) == 24
    assert any("fault of this view: cannot be shown: RuntimeError: made to fail" in t for t in lines[:5])
    assert any(text.startswith("cannot be shown: RuntimeError") for text in lines)
    assert any("A3.bias" in text for text in lines)


def test_stale_crashed_and_warnings_are_words_in_the_header() -> None:
    feeder = Feeder(layout())
    feeder.everything(1.0)
    stale = text_of(feeder.picture(43.0), ViewPosition(), 80, 24)
    assert stale[0].startswith("NO DATA")
    assert "last known, 42 s old" in stale[0]
    assert stale[3].startswith("! NO DATA: nothing recorded for 42 s, since 17:46:41; all values below")
    crashed = text_of(feeder.picture(43.0, RunState.CRASHED), ViewPosition(), 80, 24)
    assert crashed[0].startswith("CRASHED")
    assert crashed[3].startswith("! CRASHED: no logger running")
    finished = text_of(feeder.picture(43.0, RunState.FINISHED), ViewPosition(), 80, 24)
    assert finished[3].startswith("! finished: values as of 2030-03-17 17:46:41 UTC")
    skipped = text_of(feeder.picture(2.0, skipped=("j1: damaged",)), ViewPosition(), 80, 24)
    assert skipped[3].startswith("! not read: j1: damaged")


def test_a_room_before_its_first_reading_can_be_shown() -> None:
    for page in ScreenPage:
        lines = text_of(Feeder(layout()).picture(0.1), ViewPosition(page=page), 80, 24)
        assert "no data yet" in lines[0]


def test_scrolling_reaches_the_last_channel_and_stops_there() -> None:
    look = ViewPosition(page=ScreenPage.CHANNELS)
    for _ in range(100):
        look = look.pressed("page-down", BUSY, 24)
    lines = text_of(BUSY, look, 80, 24)
    assert BUSY.channels[-1].name in lines[-2]
    assert look.pressed("up", BUSY, 24).scroll == look.scroll - 1
    assert look.pressed("home", BUSY, 24).scroll == 0


def test_keys_lead_to_pages_and_units_and_others_lead_nowhere() -> None:
    look = ViewPosition()
    for page in ScreenPage:
        assert look.pressed(page.value, BUSY, 24).page is page
    unit = look.pressed("u", BUSY, 24)
    assert screen.by_name(BUSY)[unit.place(BUSY)] == BUSY.units[0]
    first = replace(unit, unit=0)
    assert first.pressed("u", BUSY, 24).unit == 1
    assert first.pressed("U", BUSY, 24).unit == len(BUSY.units) - 1
    assert look.pressed("z", BUSY, 24) == look
    seen = set()
    for _ in ScreenPage:
        look = look.pressed("tab", BUSY, 24)
        seen.add(look.page)
    assert seen == set(ScreenPage)


def test_the_printout_of_everything_leaves_nothing_out() -> None:
    printed = "\n".join(text.plain for text in everything(BUSY, 100, UTC))
    for channel in BUSY.channels:
        assert f"\n{channel.name} " in printed
    for instrument in BUSY.instruments:
        assert f"\n{instrument.name} " in printed
    for unit in BUSY.units:
        assert f"\n{unit.name} " in printed
    assert "more" not in printed


@given(
    height=st.integers(0, 80),
    sections=st.lists(st.tuples(st.integers(0, 100), st.integers(0, 10)), min_size=1, max_size=5),
)
def test_sections_never_get_more_than_there_is_nor_than_they_want(
    height: int, sections: list[tuple[int, int]]
) -> None:
    wanted = [want for want, _ in sections]
    least = [few for _, few in sections]
    given_lines = shares(height, wanted, least)
    assert sum(given_lines) <= height
    assert all(0 <= g <= w for g, w in zip(given_lines, wanted, strict=True))
    if sum(given_lines) < height:
        assert given_lines == wanted


def test_the_phase_its_state_and_the_time_left_stand_in_the_header() -> None:
    phase = PhaseView(
        name="high-mains",
        number=2,
        stage="left",
        done_s=7_200.0,
        planned_s=36_000.0,
        cycles=3,
        planned_cycles=9,
    )
    for width in (80, 200):
        fourth = text_of(replace(BUSY, phases=(phase,)), ViewPosition(), width, 24)[3]
        assert fourth.startswith("phase high-mains (pass 2) | left | 8 h to go of 10 h")
        assert width == 80 or "6 to go of 9 cycles" in fourth
