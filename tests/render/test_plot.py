"""Plots on demand: channels chosen by name or pattern, drawn between two times, written by ending."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from rig.errors import UsageError
from rig.render import plot
from rig.render.charts.drawing import Area, Drawing, Label
from tests.render import recordings
from tests.render.recordings import Recording, at, layout


@pytest.fixture(scope="module")
def recording() -> Recording:
    return Recording(layout())


def titles(drawing: Drawing) -> list[str]:
    return [part.text for part in drawing.parts if isinstance(part, Label) and part.look == "strong"]


def test_names_and_patterns_are_taken_in_the_order_asked_for_each_once(recording: Recording) -> None:
    assert plot.chosen(recording.layout, ["mains", "A*.heatsink", "A1.*"]) == [
        "mains", "A1.heatsink", "A2.heatsink", "A1.volts", "A1.power",
    ]  # fmt: skip


def test_an_unknown_name_is_answered_with_those_that_are_near(recording: Recording) -> None:
    with pytest.raises(UsageError, match=r"no channel named 'A2\.heatsnk'.*did you mean A2\.heatsink"):
        plot.chosen(recording.layout, ["A2.heatsnk"])
    with pytest.raises(UsageError, match=r"there are A1\.heatsink, "):
        plot.chosen(recording.layout, ["nothing like it"])


def test_channels_of_one_unit_of_measure_share_a_panel_with_a_legend(recording: Recording) -> None:
    drawing = plot.plot(recording, ["A*.heatsink", "mains", "A1.volts"])
    assert titles(drawing) == ["2 channels, degC", "2 channels, V"]
    words = {part.text for part in drawing.parts if isinstance(part, Label)}
    assert {"A1.heatsink", "A2.heatsink", "mains", "A1.volts", "warm-up"} <= words


def test_more_channels_than_can_be_told_apart_get_a_panel_of_their_own() -> None:
    many = layout()
    names = [f"A1.t{k}" for k in range(8)]
    channels = {name: recordings.channel(name, "A1", "degC") for name in names}
    recording = Recording(replace(many, channels=channels))
    assert titles(plot.plot(recording, names)) == ["6 channels, degC", "2 channels, degC"]


def test_the_stray_reading_is_there_whole_and_close_up(recording: Recording) -> None:
    whole = plot.plot(recording, ["A1.heatsink"])
    near = plot.plot(recording, ["A1.heatsink"], at(recordings.STRAY_H - 0.1), at(recordings.STRAY_H + 0.1))
    for drawing in (whole, near):
        assert any(isinstance(p, Label) and "to 140" in p.text for p in drawing.parts)
    assert any(isinstance(part, Area) and part.look == "gap" for part in whole.parts)


def test_a_stretch_without_length_or_outside_is_refused_with_what_there_is(recording: Recording) -> None:
    for start, end in ((at(5), at(5)), (at(6), at(5)), (at(80), None), (None, at(-1))):
        with pytest.raises(UsageError, match=r"spans 2030-03-17 17:46:40 UTC to 2030-03-20"):
            plot.plot(recording, ["mains"], start, end)


def test_where_the_extra_for_png_is_not_installed_it_is_named(
    recording: Recording, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "PIL", None)  # how Python itself is told that there is none
    drawing = plot.plot(recording, ["mains"])
    with pytest.raises(UsageError, match=r"a\.png: \.png needs the extra png: pip install 'soakrig\[png\]'"):
        plot.save(drawing, tmp_path / "a.png")
    plot.save(drawing, tmp_path / "a.svg")


def test_files_are_written_as_their_ending_says(recording: Recording, tmp_path: Path) -> None:
    drawing = plot.plot(recording, ["mains"])
    plot.save(drawing, tmp_path / "a.svg")
    plot.save(drawing, tmp_path / "a.PNG")
    assert (tmp_path / "a.svg").read_text("utf-8").startswith("<?xml")
    assert (tmp_path / "a.PNG").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    with pytest.raises(UsageError, match=r"'a\.pdf'; name a file that ends in \.svg or \.png"):
        plot.save(drawing, tmp_path / "a.pdf")
