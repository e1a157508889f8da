"""What the computer does by itself, on a kernel tree made by hand: no such adapter or card is at hand."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from rig.daemon.host import notes
from rig.rigfile.sections import Bus


def usb_adapter(sys: Path, name: str, control: str) -> None:
    """Lay out a USB serial adapter as sysfs does: tty below the interface below the device."""
    device = sys / "devices" / "usb1" / "1-4"
    interface = device / "1-4:1.0" / name
    interface.mkdir(parents=True)
    (device / "power").mkdir()
    (device / "power" / "control").write_text(control + "\n")
    (device / "idVendor").write_text("0403\n")
    tty = sys / "class" / "tty" / name
    tty.mkdir(parents=True)
    (tty / "device").symlink_to(interface)


def bus(port: str) -> Bus:
    return Bus(serial=port, baud=9600)


@pytest.mark.parametrize(("control", "told"), [("auto", True), ("on", False)])
def test_an_adapter_that_may_be_put_to_sleep_is_told_with_what_to_do(
    tmp_path: Path, control: str, told: bool
) -> None:
    usb_adapter(tmp_path, "ttyUSB7", control)
    link = tmp_path / "by-id"
    link.symlink_to("/dev/ttyUSB7")
    found = notes({"line": bus(str(link))}, tmp_path, tmp_path)
    assert bool(found) is told
    if told:
        assert found[0].startswith("line: the system may put the USB adapter")
        assert "1-4/power/control" in found[0]


def test_a_port_that_is_not_on_usb_or_not_there_is_passed_over(tmp_path: Path) -> None:
    assert (
        notes({"a": bus("/dev/ttyS0"), "b": bus("/dev/nowhere"), "c": Bus(tcp="host:1")}, tmp_path, tmp_path)
        == ()
    )


def test_runs_on_a_memory_card_are_told(tmp_path: Path) -> None:
    number = tmp_path.stat().st_dev
    node = tmp_path / "dev" / "block" / f"{os.major(number)}:{os.minor(number)}"
    node.parent.mkdir(parents=True)
    card = tmp_path / "devices" / "mmc0" / "block" / "mmcblk0" / "mmcblk0p2"
    card.mkdir(parents=True)
    node.symlink_to(card)
    (words,) = notes({}, tmp_path, tmp_path)
    assert "memory card (mmcblk0p2)" in words
    node.unlink()
    assert notes({}, tmp_path, tmp_path) == ()
