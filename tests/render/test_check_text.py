"""What check says of a rig at the desk and at the rack."""

from dataclasses import dataclass, field
from pathlib import Path

import pytest
from rich.cells import cell_len

import drivers
from rig.domain.model import Status
from rig.render import check_text
from rig.rigfile import yaml_reader
from rig.rigfile.config import RigConfig

CONFIGS = Path(__file__).parent.parent.parent / "configs"


@pytest.fixture(scope="module")
def config() -> RigConfig:
    return yaml_reader.read(CONFIGS / "six-units.yaml", drivers.spec)


@pytest.mark.parametrize("width", [80, 100, 140])
def test_the_rig_file_shows_every_bus_instrument_channel_and_limit(config: RigConfig, width: int) -> None:
    text = check_text.rig_file(config, width)
    lines = text.split("\n")
    assert max(cell_len(line) for line in lines) <= width
    for name in (*config.buses, *config.instruments, *config.layout.channels):
        assert any(line.split()[:1] == [name] for line in lines), name
    heat = next(line for line in lines if line.startswith("A1.heatsink "))
    assert "95 TRIP (warn 85)" in heat
    assert ("2, 5 s" in heat) == (width >= 110)


def test_a_bus_shows_how_busy_its_polls_keep_it(config: RigConfig) -> None:
    line = next(x for x in check_text.rig_file(config, 120).split("\n") if x.startswith("scanner-line"))
    instrument = config.instruments["scanner"]
    share = instrument.talk_s(config.buses["scanner-line"]) / instrument.poll_s
    assert line.endswith(f"{share:.0%}")
    assert 0 < share < 1


def test_channels_that_nothing_can_be_concluded_from_are_named(config: RigConfig) -> None:
    words = " ".join(check_text.rig_file(config, 100).split())
    assert "without limits: room_power, drive" in words
    assert "neither resolution nor accuracy" in words


@dataclass
class Value:
    channel: str
    value: float
    unit_of_measure: str
    status: Status


@dataclass
class Answer:
    name: str
    bus: str
    identity: str = ""
    error: str = ""
    took_s: float = 0.042
    channels: list[Value] = field(default_factory=list)

    @property
    def good(self) -> bool:
        return not self.error and all(one.status is Status.GOOD for one in self.channels)


@dataclass
class Found:
    instruments: list[Answer]
    runs_path: Path = Path("runs")
    notes: list[str] = field(default_factory=list)
    disk_free_bytes: int = 10**12
    disk_needed_bytes: int = 10**9
    disk_error: str = ""
    synchronised: bool = True

    @property
    def good(self) -> bool:
        enough = not self.disk_error and self.disk_free_bytes >= self.disk_needed_bytes
        return enough and all(one.good for one in self.instruments)


GOOD = Answer("meter", "bench", "EXAMPLE,METER", channels=[Value("mains", 230.1, "V", Status.GOOD)])


def test_a_ready_rig_is_called_ready_with_every_value() -> None:
    text = check_text.probed(Found([GOOD]), 80)
    assert 'good  meter on bench, identity "EXAMPLE,METER", reply in 42 ms' in text
    assert "mains 230.1 V" in text
    assert "good  runs: 1 TB free, 1 GB needed" in text
    assert text.endswith("READY: every instrument online with good values, disk space sufficient")


def test_each_reason_not_to_start_is_marked_and_counted() -> None:
    open_sensor = Answer(
        "scanner", "line", channels=[Value("A1.heatsink", float("nan"), "degC", Status.NO_VALUE)]
    )
    suspect = Answer("box", "line", channels=[Value("ambient", 400.0, "degC", Status.SUSPECT)])
    dead = Answer("dead", "line2", error="TCP 192.168.7.20:5025: cannot connect")
    text = check_text.probed(
        Found([GOOD, open_sensor, suspect, dead], disk_free_bytes=5, synchronised=False), 80
    )
    assert "*** no value ***" in text
    assert "*** suspect 400 degC ***" in text
    assert "BAD   dead on line2: TCP 192.168.7.20:5025: cannot connect" in text
    assert "BAD   runs: 5 B free, 1 GB needed" in text
    assert "NOTE  wall clock not synchronised" in text
    assert text.endswith("NOT READY: 3 instruments not good and disk not sufficient; see BAD above")


def test_a_disk_that_cannot_be_asked_is_bad() -> None:
    text = check_text.probed(Found([GOOD], disk_error="cannot be written: read-only"), 80)
    assert "BAD   runs: cannot be written: read-only" in text
    assert "NOT READY: disk not sufficient" in text


def test_what_the_computer_does_that_may_cost_readings_is_a_note_and_no_fault() -> None:
    text = check_text.probed(Found([GOOD], notes=["line: the adapter may be put to sleep"]), 80)
    assert "NOTE  line: the adapter may be put to sleep" in text
    assert text.endswith("disk space sufficient")


def test_the_probe_of_the_daemon_fits_what_is_printed_here() -> None:
    from rig.daemon.probe import RigProbe

    found = RigProbe(
        instruments=[], runs_path=Path("runs"), disk_free_bytes=2, disk_needed_bytes=1, disk_error="",
        synchronised=True,
    )  # fmt: skip
    assert check_text.probed(found, 80).endswith("disk space sufficient")


def signals_of_a_rig(tmp_path: Path, change: tuple[str, str] = ("", "")) -> str:
    """Return what is said of the states of the example with all signals, after a change of its text."""
    text = (CONFIGS / "three-mains.yaml").read_text("utf-8")
    assert change[0] in text
    file = tmp_path / "rig.yaml"
    file.write_text(text.replace(*change, 1) if change[0] else text, "utf-8")
    said = check_text.rig_file(yaml_reader.read(file, drivers.spec), 200)
    return said.partition("Operating states of the units")[2].partition("\nNotes")[0]


def test_where_all_signals_are_read_every_state_can_be_known(tmp_path: Path) -> None:
    assert "- A1, A2: all signals are read; a failure is suspected until" in signals_of_a_rig(tmp_path)


def test_a_signal_that_is_not_read_is_told_with_the_states_it_hides(tmp_path: Path) -> None:
    line = "\n      drive: {channel: level, on-above: 0.5 V, off-below: 0.3 V}"
    said = signals_of_a_rig(tmp_path, (line, ""))
    assert (
        "- A1, A2: drive is not read: idle, muted cannot be known; a failure that leaves the unit powered is "
        "not suspected" in said
    )


def test_a_rig_without_any_signal_is_told_so_in_one_line(config: RigConfig) -> None:
    bare = yaml_reader.read(CONFIGS / "minimal.yaml", drivers.spec)
    words = " ".join(check_text.rig_file(bare, 100).split())
    assert "A1: no signals: in the rig file, and no account: to stand in" in words
    assert "A1: no signal is read: only swaps and notes say anything of their state" in words
