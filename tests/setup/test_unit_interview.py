"""What is asked about the units makes a file that passes the check, with no serial number twice."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
from pathlib import Path

import pytest

import drivers
from rig.domain.accounting import LevelPlan
from rig.domain.unseen_states import unseen_states
from rig.rigfile import yaml_reader
from rig.rigfile.config import RigConfig
from rig.setup import newfile
from rig.setup.draft import SAMPLES
from rig.setup.found_ports import Port
from rig.setup.unit_interview import next_serial
from tests.setup.test_newfile import scripted

PORTS = [Port(path=f"/dev/serial/by-id/usb-example-{n}-if00", device=f"/dev/ttyUSB{n}") for n in range(1, 4)]
CHANNELS: dict[str, str | list[str]] = {
    "driver:": ["lines", "lines", "lines"],
    "lines-line1.value1 is": "A1.volts V",
    "lines-line1.value2 is": "A1.amps A",
    "lines-line2.value1 is": "A2.volts V",
    "lines-line2.value2 is": "A2.amps A",
    "lines-line3.value1 is": "mains V",
    "lines-line3.value2 is": "level dBu",
}
"""Three instruments of two fields each, as the driver's example gives them."""
SIGNALS: dict[str, str | list[str]] = {
    "signal mains": "mains",
    "signal supply": "{unit}.amps",
    "signal output": "{unit}.volts",
    "signal drive": "level",
}


def made(
    tmp_path: Path, answers: dict[str, str | list[str]], said: list[str] | None = None,
    asked: list[str] | None = None,
) -> RigConfig:  # fmt: skip
    """Return the rig of the file that these answers make, read as ``soakrig check`` reads it."""
    path = tmp_path / "rig.yaml"
    newfile.create(
        path, ask=scripted({**CHANNELS, **answers}, asked),
        say=(lambda _text: None) if said is None else said.append, ports=PORTS,
    )  # fmt: skip
    return yaml_reader.read(path, drivers.spec)


def test_the_signals_of_all_units_stand_once_in_a_template(tmp_path: Path) -> None:
    rig = made(tmp_path, SIGNALS)
    for name in ("A1", "A2"):
        signals = rig.layout.units[name].signals
        assert signals.mains == LevelPlan(channel="mains", on_above=150.0, off_below=100.0)
        assert signals.supply == LevelPlan(channel=f"{name}.amps", on_above=0.1, off_below=0.05)
        assert signals.output == LevelPlan(channel=f"{name}.volts", on_above=5.0, off_below=3.0)
        assert signals.drive == LevelPlan(channel="level", on_above=-20.0, off_below=-30.0)
    assert rig.text.count("signals:") == 1
    [alike] = unseen_states(rig.layout)
    assert alike.missing == ()


@pytest.mark.parametrize("skipped", list(SIGNALS))
def test_each_signal_may_be_skipped_and_stands_there_as_a_comment(tmp_path: Path, skipped: str) -> None:
    name = skipped.removeprefix("signal ")
    rig = made(tmp_path, {key: answer for key, answer in SIGNALS.items() if key != skipped})
    signals = rig.layout.units["A1"].signals
    assert getattr(signals, name) is None
    others = {"mains", "supply", "output", "drive"} - {name}
    assert all(getattr(signals, other) is not None for other in others)
    assert f"# {name}: {{channel:" in rig.text


def test_where_all_are_skipped_the_template_is_a_comment(tmp_path: Path) -> None:
    rig = made(tmp_path, {})
    [alike] = unseen_states(rig.layout)
    assert alike.is_blind
    assert "# templates:" in rig.text
    assert "template: amplifier" not in rig.text


def test_the_sample_in_the_comment_is_one_that_passes(tmp_path: Path) -> None:
    """With the channels that it names, the comment taken as it stands is a right template."""
    answers: dict[str, str | list[str]] = {
        "lines-line1.value2 is": "A1.supply A",
        "lines-line2.value2 is": "A2.supply A",
        "lines-line3.value2 is": "level V",
    }
    text = made(tmp_path, answers).text
    at = text.index("# templates:")
    block = text[at:].partition("\n\n")[0]
    plain = "\n".join(line.removeprefix("# ") for line in block.splitlines())
    for unit in ("A1", "A2"):
        text = text.replace(f"  {unit}:\n", f"  {unit}:\n    template: amplifier\n")
    path = tmp_path / "other.yaml"
    path.write_text(text.replace(block, plain), "utf-8")
    rig = yaml_reader.read(path, drivers.spec)
    [alike] = unseen_states(rig.layout)
    assert alike.missing == ()
    assert set(SAMPLES) == {"mains", "supply", "output", "drive"}


def test_wrong_channels_and_levels_are_asked_again(tmp_path: Path) -> None:
    said: list[str] = []
    answers: dict[str, str | list[str]] = {
        **SIGNALS,
        "signal supply": ["A1.amps", "{unit}.watts", "{unit}.amps"],
        "supply is on above": ["lots", "100 V", "300 mA"],
        "output is on above": "8 V",
        "and off below (V)": ["90 V", "9 V", "7 V"],
    }
    rig = made(tmp_path, answers, said)
    signals = rig.layout.units["A2"].signals
    assert signals.mains == LevelPlan(channel="mains", on_above=150.0, off_below=90.0)
    assert signals.supply == LevelPlan(channel="A2.amps", on_above=0.3, off_below=0.05)
    assert signals.output == LevelPlan(channel="A2.volts", on_above=8.0, off_below=7.0)
    faults = [one for one in said if one.startswith("  ")]
    assert len(faults) == 5
    assert "  'A1.amps' is no channel that serves all units" in faults[0]
    assert "9 V is above 8 V, where it is on" in faults[-1]


def test_a_channel_that_only_one_unit_has_is_not_offered_for_all(tmp_path: Path) -> None:
    said: list[str] = []
    made(tmp_path, {"lines-line2.value2 is": "ambient degC"}, said)
    [offer] = [one for one in said if "Channels:" in one]
    assert "{unit}.volts" in offer
    assert "ambient" in offer
    assert "amps" not in offer


def test_a_level_below_the_usual_one_brings_the_usual_off_level_down(tmp_path: Path) -> None:
    rig = made(tmp_path, {**SIGNALS, "mains is on above": "80 V"})
    assert rig.layout.units["A1"].signals.mains == LevelPlan(channel="mains", on_above=80.0, off_below=80.0)


def test_the_serial_numbers_proposed_are_never_the_same(tmp_path: Path) -> None:
    units = made(tmp_path, {}).layout.units
    assert [one.serial for one in units.values()] == ["0001", "0002"]


def test_the_next_serial_number_counts_up_from_the_one_that_was_answered(tmp_path: Path) -> None:
    units = made(tmp_path, {"serial number of A1": "PA-0099"}).layout.units
    assert [one.serial for one in units.values()] == ["PA-0099", "PA-0100"]


def test_one_serial_number_is_not_taken_twice(tmp_path: Path) -> None:
    said: list[str] = []
    answers: dict[str, str | list[str]] = {
        "serial number of A1": "0017",
        "serial number of A2": ["0017", "", "0016"],
    }
    units = made(tmp_path, answers, said).layout.units
    assert [one.serial for one in units.values()] == ["0017", "0016"]
    assert "  0017 is the serial number of A1; write each unit's own" in said


@pytest.mark.parametrize(
    ("taken", "proposed"),
    [
        ([], "0001"),
        (["0001"], "0002"),
        (["0002", "0001"], "0003"),
        (["9"], "10"),
        (["left"], "left-2"),
        (["left-2", "left"], "left-3"),
        (["a1b007"], "a1b008"),
    ],
)
def test_a_proposal_is_free(taken: list[str], proposed: str) -> None:
    assert next_serial(taken) == proposed


def test_a_revision_is_written_and_proposed_for_the_next_unit(tmp_path: Path) -> None:
    rig = made(tmp_path, {"design revision of A1": "bom C2, firmware 1.40 beta"})
    stated = {"bom": "C2", "firmware": "1.40 beta"}
    assert [dict(one.revision) for one in rig.layout.units.values()] == [stated, stated]


def test_a_revision_may_be_left_out_or_differ(tmp_path: Path) -> None:
    answers: dict[str, str | list[str]] = {
        "design revision of A1": "bom C2",
        "design revision of A2": "-",
    }
    rig = made(tmp_path, answers)
    assert [dict(one.revision) for one in rig.layout.units.values()] == [{"bom": "C2"}, {}]
    assert "# revision: " in rig.text


def test_a_revision_that_cannot_be_one_is_asked_again(tmp_path: Path) -> None:
    said: list[str] = []
    wrong = ["bom", "1bom C2", "bom C2, bom C3", "bom C2,,"]
    rig = made(tmp_path, {"design revision of A1": [*wrong, "bom 1e3"]}, said)
    assert dict(rig.layout.units["A1"].revision) == {"bom": "1e3"}
    assert len([one for one in said if one.startswith("  ")]) == len(wrong)


def test_a_rig_without_units_is_not_asked_about_them(tmp_path: Path) -> None:
    asked: list[str] = []
    newfile.create(tmp_path / "rig.yaml", ask=scripted({}, asked), say=lambda _text: None, ports=[])
    assert not [one for one in asked if "signal" in one or "serial number" in one or "revision" in one]


@pytest.mark.slow
def test_a_person_at_a_terminal_gets_a_file_that_says_which_states_cannot_be_known(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "rig.cli", "new", "room.yaml", "--lan", "127.0.0.1:502"]
    process = subprocess.Popen(command, cwd=tmp_path, stdin=slave, stdout=slave, stderr=slave)
    os.close(slave)
    answers = {b".value is": b"A1.volts V", b"signal output": b"{unit}.volts", b"revision of A1": b"bom C2"}
    screen = question = b""
    while process.poll() is None or select.select([master], [], [], 0)[0]:
        try:
            came = os.read(master, 1000)
        except OSError:
            break
        screen, question = screen + came, question + came
        if question.endswith(b": "):  # every other question gets its default
            os.write(master, next((said for key, said in answers.items() if key in question), b"") + b"\n")
            question = b""
    os.close(master)
    assert process.wait(10) == 0, screen.decode()
    check = [sys.executable, "-m", "rig.cli", "check", "room.yaml", "--no-probe"]
    done = subprocess.run(check, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr + screen.decode()
    assert "A1: drive is not read: idle, muted cannot be known" in " ".join(done.stdout.split())
