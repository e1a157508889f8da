"""Tables into runs: what is odd is kept, counted and told; nothing is dropped, nothing guessed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from rig import forensics
from rig.domain.model import EventKind
from rig.errors import ConfigError, StoreError, UsageError
from rig.interchange.importing import import_files
from rig.store import rundir
from rig.store.reader import RecordingState
from tests.interchange.tables import HEADER, LIMITS, Desk, row, statuses, texts, values

NOON_NS = 1_927_886_400 * 10**9
"""2031-02-03T12:00:00Z."""
SECOND = 10**9


def _quoted(text: str) -> str:
    return "".join(",".join(f'"{cell}"' for cell in line.split(",")) + "\n" for line in text.splitlines())


def calm(count: int = 10, start: int = 0) -> str:
    return "".join(row(start + k, 60 + k % 3, 40, 230) for k in range(count))


def test_a_wide_table_becomes_an_ordinary_finished_run(desk: Desk) -> None:
    run = desk.run(HEADER + calm())
    assert run.state is RecordingState.FINISHED
    assert run.skipped == ()
    assert rundir.has_ended(run.dir)
    heatsink = run.series("A1.heatsink")
    assert ((heatsink.t_ns - NOON_NS) // SECOND).tolist() == list(range(10))
    assert heatsink.h_ns.tolist() == [SECOND // 2] * 10
    assert heatsink.value.tolist() == [60 + k % 3 for k in range(10)]
    assert [one.name for one in run.layout.units.values()] == ["A1"]
    assert run.layout.instruments["file"].poll_s == 1.0
    start = next(event for event in run.events() if event.kind is EventKind.SESSION_START)
    (told,) = start.data["files"]
    assert (told["name"], told["rows"], told["delimiter"]) == ("table0.csv", 10, ",")
    assert len(told["sha256"]) == 64
    assert desk.heard("every value within 0.5 s of its timestamp: half of the 1 s that the stamps resolve")


def test_the_order_of_a_death_made_by_hand_is_found(desk: Desk) -> None:
    """Heatsink beyond 95 degC from second 60 on, output below 20 V from second 75 on, mains never out."""
    lines = [row(k, 60 if k < 60 else 96 + (k - 60), 40 if k < 75 else 0.2, 230 + k % 2) for k in range(120)]
    found = forensics.analyse(desk.run(HEADER + "".join(lines)))
    assert found.unit == "A1"
    assert found.order.tiers == (("A1.heatsink",), ("A1.output",))
    first = found.story("A1.heatsink").ordered
    assert first is not None
    assert first.interval.earliest_ns is not None
    assert first.interval.latest_ns is not None
    assert first.interval.earliest_ns <= NOON_NS + 60 * SECOND <= first.interval.latest_ns
    assert texts(desk.run(HEADER + "".join(lines), name="again"), EventKind.LIMIT_OUT) == [
        "A1.heatsink above high limit 95 degC: 96 degC",
        "A1.output below low limit 20 V: 0.2 V",
    ]


def test_odd_cells_are_kept_as_readings_that_say_why(desk: Desk) -> None:
    cells = ["61", "", "OL", "----", "NaN", "6x", "-OL", "62"]
    run = desk.run(HEADER + "".join(row(k, cell, 40, 230) for k, cell in enumerate(cells)))
    series = run.series("A1.heatsink")
    assert statuses(series) == [
        "GOOD", "NO_VALUE", "OVER", "NO_VALUE", "NO_VALUE", "BAD_REPLY", "UNDER", "GOOD",
    ]  # fmt: skip
    assert values(series) == [61.0, None, None, None, None, None, None, 62.0]
    assert desk.heard("A1.heatsink: blank, kept as a reading without a value (line 3)")
    assert desk.heard("A1.heatsink: neither a number nor a known word, kept as a bad reply (line 7)")
    notes = texts(run, EventKind.NOTE)
    assert any("kept as a bad reply (line 7)" in text for text in notes)


def test_a_line_without_a_readable_time_is_set_aside_and_told(desk: Desk) -> None:
    run = desk.run(HEADER + calm(3) + "yesterday,61,40,230\n" + HEADER + calm(3, 5))
    assert len(run.series("mains")) == 6
    aside = [json.loads(line) for line in (run.path / "import" / "set-aside.jsonl").read_text().splitlines()]
    assert [(one["line"], one["text"]) for one in aside] == [(5, "yesterday,61,40,230"), (6, HEADER.strip())]
    assert "'yesterday' is not a date and time" in aside[0]["reason"]
    assert texts(run, EventKind.DAMAGE) == ["table0.csv: 2 lines set aside in import/set-aside.jsonl"]
    assert desk.heard("2 lines set aside: ")


def test_a_table_of_which_most_times_cannot_be_read_is_refused(desk: Desk) -> None:
    with pytest.raises(
        UsageError, match=r"4 of 7 lines have no readable time, first on line 5: .*write time:"
    ):
        desk.run(
            HEADER + calm(3) + "bad,1,2,3\n" * 4, limits_text="time: {column: time, format: iso}\n" + LIMITS
        )
    assert not (desk.folder / "runs" / "the-run").exists()


def test_ragged_lines_are_kept_with_what_is_sure_of_them(desk: Desk) -> None:
    text = HEADER + row(0, 60, 40, 230) + row(1, 60, 40) + row(2, 60, 40, 230, 7) + row(3, 60, 40, 230, "")
    run = desk.run(text + row(4, 60, 40, 230))
    assert statuses(run.series("mains")) == ["GOOD", "NO_VALUE", "BAD_REPLY", "GOOD", "GOOD"]
    assert statuses(run.series("A1.heatsink")) == ["GOOD", "GOOD", "BAD_REPLY", "GOOD", "GOOD"]
    assert desk.heard("line with too few cells: what is missing is blank (line 3)")
    assert desk.heard("line with too many cells: kept as bad replies, their text set aside (line 4)")


def test_a_last_line_that_was_cut_off_has_no_good_last_cell(desk: Desk) -> None:
    run = desk.run(HEADER + calm(3) + "2031-02-03T12:00:03Z,60,4")
    assert statuses(run.series("A1.heatsink"))[-1] == "GOOD"
    assert statuses(run.series("A1.output"))[-1] == "BAD_REPLY"


def test_stamps_that_step_back_begin_a_session_and_no_line_changes_place(desk: Desk) -> None:
    lines = [row(k, 60 + k, 40, 230) for k in (0, 1, 2, 3, 1, 2, 2, 3)]
    run = desk.run(HEADER + "".join(lines))
    series = run.series("A1.heatsink")
    assert series.value.tolist() == [60, 61, 62, 63, 61, 62, 62, 63]
    assert series.session.tolist() == [1, 1, 1, 1, 2, 2, 2, 2]
    assert len({one.boot_id for one in run.sessions}) == 2
    assert texts(run, EventKind.CLOCK_STEP) == ["table0.csv, line 6: the stamps step back by 2 s"]
    assert desk.heard("1 row with the stamp of the row before: kept, in the order of the file")
    forensics.analyse(run)


def test_the_local_hour_that_comes_twice_runs_on_and_is_told(desk: Desk) -> None:
    """EU summer time ended on 2025-10-26 at 1:00 UTC: 02:00 to 02:59 came twice in Berlin."""
    clocks = ["02:58", "02:59", "02:00", "02:01", "03:00"]
    text = HEADER + "".join(f"2025-10-26 {one}:00,60,40,230\n" for one in clocks)
    run = desk.run(text, limits_text="time: {zone: Europe/Berlin}\n" + LIMITS)
    minutes = np.diff(run.series("mains").t_ns) / (60 * SECOND)
    assert minutes.tolist() == [1, 1, 1, 59]
    assert len(run.sessions) == 1
    assert desk.heard(
        "repeated local time (clock set back): taken as the first that is not before the row above (4 "
        "lines: 2"
    )


def test_an_offset_that_changes_with_summer_time_is_taken_from_each_stamp(desk: Desk) -> None:
    """EU summer time began on 2022-03-27 at 1:00 UTC."""
    clocks = ("01:00:00+01:00", "03:00:00+02:00", "04:00:00+02:00")
    run = desk.run(HEADER + "".join(f"2022-03-27 {one},60,40,230\n" for one in clocks))
    assert np.diff(run.series("mains").t_ns).tolist() == [3600 * SECOND] * 2
    assert not desk.heard("name no zone")


def test_without_a_zone_local_stamps_are_taken_as_utc_and_that_is_said(desk: Desk) -> None:
    run = desk.run(HEADER + "2031-02-03 12:00:00,60,40,230\n2031-02-03 12:00:01,60,40,230\n")
    assert run.series("mains").t_ns[0] == NOON_NS
    assert desk.heard("timestamps without a zone: taken as UTC, because the limits file names none")


def test_a_leap_second_repeats_no_reading_and_widens_its_stamp(desk: Desk) -> None:
    """IERS Bulletin C 52: 2016-12-31T23:59:60Z was."""
    clocks = ["2016-12-31T23:59:59Z", "2016-12-31T23:59:60Z", "2017-01-01T00:00:00Z"]
    run = desk.run(HEADER + "".join(f"{one},60,40,230\n" for one in clocks))
    series = run.series("mains")
    assert (np.diff(series.t_ns) // SECOND).tolist() == [1, 0]
    assert series.h_ns.tolist() == [SECOND // 2, SECOND, SECOND // 2]
    assert desk.heard("leap second")


@pytest.mark.parametrize(
    "encode",
    [
        lambda text: text.replace("\n", "\r\n").encode("utf-8-sig"),
        lambda text: text.encode("utf-16"),
        lambda text: text.replace("\n", "\r").encode("cp1252"),
        lambda text: text.replace(",", "\t").encode(),
        lambda text: text.replace(",", ";").replace("60.5", "60,5").encode(),
        lambda text: _quoted(text).encode(),
    ],
    ids=["BOM and CR LF", "UTF-16", "CR only", "tabs", "decimal comma", "quoted"],
)
def test_the_same_readings_come_from_every_way_of_writing(desk: Desk, encode: object) -> None:
    text = "time,tc1 [°C],volts,mains\n" + row(0, 60.5, 40, 230) + row(1, "", 40, 231)
    run = desk.run(encode(text))  # type: ignore[operator]
    assert values(run.series("A1.heatsink")) == [60.5, None]
    assert values(run.series("mains")) == [230.0, 231.0]


@pytest.mark.parametrize(
    ("clocks", "form", "half_s"),
    [
        (("1927886400", "1927886401"), "epoch-s", 0.5),
        (("1927886400000", "1927886401000"), "epoch-ms", 0.0005),
        (("1927886400.00", "1927886401.00"), "epoch-s", 0.005),
        (("03.02.2031 12:00:00", "03.02.2031 12:00:01"), "%d.%m.%Y %H:%M:%S", 0.5),
        (("2/23/2031 12:00:00 PM", "2/23/2031 12:00:01 PM"), "%m/%d/%Y %I:%M:%S %p", 0.5),
    ],
)
def test_the_form_of_the_stamps_is_found_and_told(
    desk: Desk, clocks: tuple[str, str], form: str, half_s: float
) -> None:
    run = desk.run(HEADER + "".join(f"{one},60,40,230\n" for one in clocks))
    series = run.series("mains")
    assert np.diff(series.t_ns).tolist() == [SECOND]
    assert series.h_ns.tolist() == [round(half_s * SECOND)] * 2
    assert desk.heard(f"stamps from 'time', format {form}")


def test_a_date_that_may_be_two_days_is_refused_with_both(desk: Desk) -> None:
    with pytest.raises(UsageError, match=r"'%d/%m/%Y %H:%M:%S' and '%m/%d/%Y %H:%M:%S' alike; write time:"):
        desk.run(HEADER + "03/02/2031 12:00:00,60,40,230\n03/02/2031 12:00:01,60,40,230\n")


def test_date_and_time_in_two_columns_are_joined(desk: Desk) -> None:
    text = "date,time,tc1,volts,mains\n2031-02-03,12:00:00,60,40,230\n2031-02-03,12:00:01,60,40,230\n"
    assert np.diff(desk.run(text).series("mains").t_ns).tolist() == [SECOND]
    assert desk.heard("stamps from 'date' + 'time', format iso")


def test_elapsed_seconds_count_from_the_start_in_the_limits_file(desk: Desk) -> None:
    text = HEADER + "0.0,60,40,230\n0.5,60,40,230\n"
    time = 'time: {column: time, format: elapsed, start: "2031-02-03T12:00:00Z"}\n'
    assert desk.run(text, limits_text=time + LIMITS).series("mains").t_ns.tolist() == [
        NOON_NS, NOON_NS + SECOND // 2,
    ]  # fmt: skip
    with pytest.raises(UsageError, match="no column with recognisable timestamps"):
        desk.run(text, name="other")


def test_the_half_width_and_cut_stamps_of_the_limits_file_count(desk: Desk) -> None:
    run = desk.run(HEADER + calm(3), limits_text="time: {stamps: cut}\n" + LIMITS)
    series = run.series("mains")
    assert (series.t_ns[0] - NOON_NS, series.h_ns[0]) == (SECOND // 2, SECOND // 2)
    run = desk.run(HEADER + calm(3), limits_text="time: {half-width: 20 ms}\n" + LIMITS, name="other")
    assert run.series("mains").h_ns[0] == 20_000_000


def test_a_column_in_another_unit_is_converted_and_that_is_said(desk: Desk) -> None:
    """NIST SP 811, B.8: 212 degF is 100 degC."""
    text = "time,tc1 [degF],volts [mV],mains [V]\n" + row(0, 212, 40000, 230) + row(1, 32, 41000, 230)
    run = desk.run(text)
    assert run.series("A1.heatsink").value == pytest.approx([100.0, 0.0], abs=1e-12)
    assert run.series("A1.output").value.tolist() == [40.0, 41.0]
    assert desk.heard("A1.heatsink: the column is in degF, converted to degC")


def test_a_column_of_another_kind_of_unit_is_a_fault_at_the_channel(desk: Desk) -> None:
    with pytest.raises(ConfigError, match=r"limits.yaml:\d+: units.A1.channels.heatsink.unit: .* is in V"):
        desk.run("time,tc1 [V],volts,mains\n" + row(0, 60, 40, 230))


def test_a_channel_without_a_column_is_a_fault_with_a_suggestion(desk: Desk) -> None:
    with pytest.raises(ConfigError, match="no column 'volts' in the imported files; did you mean 'vlots'"):
        desk.run("time,tc1,vlots,mains\n" + row(0, 60, 40, 230))
    run = desk.run("time,tc1,vlots,mains\n" + row(0, 60, 40, 230), limits_text="partial: yes\n" + LIMITS)
    assert list(run.layout.channels) == ["mains", "A1.heatsink"]
    assert run.layout.units["A1"].channels == ("A1.heatsink",)
    assert desk.heard("A1.output: no column; it is left out")
    assert desk.heard("columns without a channel, left out: vlots")


def test_formulas_calibration_and_plausibility_work_as_in_a_live_run(desk: Desk) -> None:
    more = LIMITS.replace(
        "output: {from: volts, unit: V,",
        "power: {formula: A1.output ** 2 / 8, unit: W, limits: none}\n"
        "      output: {from: volts, unit: V, calibration: {gain: 2.0}, plausible: [0 V, 100 V],",
    )
    run = desk.run(HEADER + row(0, 60, 20, 230) + row(1, 60, 60, 230) + row(2, 60, "", 230), limits_text=more)
    assert statuses(run.series("A1.output")) == ["GOOD", "SUSPECT", "NO_VALUE"]
    assert values(run.series("A1.output")) == [40.0, 120.0, None]
    assert values(run.series("A1.power")) == [200.0, 1800.0, None]
    assert statuses(run.series("A1.power")) == ["GOOD", "SUSPECT", "NOT_COMPUTED"]


def test_several_files_make_one_run_in_the_order_given(desk: Desk) -> None:
    run = desk.run(HEADER + calm(5), HEADER + calm(5, 5))
    assert len(run.series("mains")) == 10
    assert len(run.sessions) == 1
    swapped = desk.run(HEADER + calm(5, 5), HEADER + calm(5), name="swapped")
    assert swapped.series("mains").session.tolist() == [1] * 5 + [2] * 5
    assert desk.heard("table1.csv, line 2: the stamps step back by 9 s: session 2 begins")


def test_files_with_different_channels_lie_side_by_side(desk: Desk) -> None:
    temperatures = "time,tc1\n" + "".join(row(k, 60 + k) for k in range(4))
    rest = "time,volts,mains\n" + "".join(row(k, 40, 230) for k in range(0, 4, 2))
    run = desk.run(temperatures, rest)
    assert run.series("A1.heatsink").value.tolist() == [60, 61, 62, 63]
    assert len(run.series("mains")) == 2
    assert len(run.sessions) == 1


def test_long_form_gives_each_channel_its_own_readings(desk: Desk) -> None:
    text = (
        "time,channel,value,status\n"
        "2031-02-03T12:00:00Z,tc1,60,GOOD\n2031-02-03T12:00:00Z,volts,40,\n2031-02-03T12:00:00Z,mains,230,0\n"
        "2031-02-03T12:00:01Z,tc1,,no-reply\n2031-02-03T12:00:01Z,volts,5,suspect\n"
        "2031-02-03T12:00:01Z,mystery,1,GOOD\n2031-02-03T12:00:02Z,mains,1,WHAT\n"
    )
    run = desk.run(text)
    assert statuses(run.series("A1.heatsink")) == ["GOOD", "NO_REPLY"]
    assert statuses(run.series("A1.output")) == ["GOOD", "SUSPECT"]
    assert statuses(run.series("mains")) == ["GOOD", "BAD_REPLY"]
    assert desk.heard("readings of 'mystery', not described in the limits file (line 7)")
    assert desk.heard("the status 'WHAT' is unknown")
    assert not desk.heard("A1.heatsink: blank")


def test_rare_readings_stretch_the_silence_that_is_not_written(desk: Desk) -> None:
    lines = "".join(f"2031-02-03T{12 + k}:00:00Z,60,40,230\n" for k in range(6))
    run = desk.run(HEADER + lines)
    assert run.layout.channels["mains"].silence_s == 3 * 3600
    assert texts(run, EventKind.NO_VALID) == []
    assert desk.heard("silence is 3 h where none is written: readings are 1 h apart")
    written = LIMITS.replace("mains: {unit: V,", "mains: {unit: V, silence: 100 s,")
    run = desk.run(HEADER + lines, limits_text=written, name="written")
    assert [one.split(":")[0] for one in texts(run, EventKind.NO_VALID)] == ["mains"] * 5


def test_parquet_in_either_form_is_read_by_its_types(desk: Desk) -> None:
    t_us = pa.array([NOON_NS // 1000 + k * 1_000_000 for k in range(3)]).cast(pa.timestamp("us", "UTC"))
    wide = pa.table({
        "when": t_us, "tc1": [60.0, None, float("nan")], "volts": pa.array([40, 41, 42], pa.int32()),
        "mains": ["230", "OL", "abc"],
    })  # fmt: skip
    path = desk.folder / "wide.parquet"
    pq.write_table(wide, path)
    run = desk.run(path)
    assert statuses(run.series("A1.heatsink")) == ["GOOD", "NO_VALUE", "NO_VALUE"]
    assert statuses(run.series("mains")) == ["GOOD", "OVER", "BAD_REPLY"]
    assert values(run.series("A1.output")) == [40.0, 41.0, 42.0]
    assert desk.heard("A1.heatsink: blank, kept as a reading without a value (2 lines: 2, 3)")


def test_the_readings_of_another_run_are_a_parquet_table_like_any_other(desk: Desk) -> None:
    own = LIMITS.replace("from: tc1, ", "").replace("from: volts, ", "")
    first = desk.run(HEADER + calm(5) + row(5, "", 40, 230))
    sealed = next((first.path / "readings").glob("*.parquet"))
    again = desk.run(sealed, limits_text=own, name="again")
    for name in ("A1.heatsink", "A1.output", "mains"):
        one, other = first.series(name), again.series(name)
        assert (one.t_ns.tolist(), one.h_ns.tolist()) == (other.t_ns.tolist(), other.h_ns.tolist())
        assert (values(one), statuses(one)) == (values(other), statuses(other))


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_timestamps_without_a_zone_take_that_of_the_limits_file(desk: Desk, unit: str) -> None:
    """Berlin is one hour ahead of UTC in February."""
    clock = np.array([f"2031-02-03T13:00:0{k}" for k in range(3)] + ["NaT"], f"datetime64[{unit}]")
    table = pa.table({"when": pa.array(clock), "tc1": [60.0] * 4, "volts": [40.0] * 4, "mains": [230.0] * 4})
    path = desk.folder / "naive.parquet"
    pq.write_table(table, path)
    run = desk.run(path, limits_text="time: {zone: Europe/Berlin}\n" + LIMITS)
    series = run.series("mains")
    assert series.t_ns.tolist() == [NOON_NS + k * SECOND for k in range(3)]
    assert series.h_ns.tolist() == [SECOND // 2] * 3
    assert desk.heard("line without a readable time, set aside (line 4)")


def test_a_parquet_file_that_is_none_is_refused(desk: Desk) -> None:
    with pytest.raises(UsageError, match="not a readable Parquet file"):
        desk.run(desk.write(b"PAR1 and then nothing", "x.parquet"))


def test_text_in_utf_16_without_a_mark_is_named(desk: Desk) -> None:
    text = (HEADER + calm()).encode("utf-16-le")
    with pytest.raises(UsageError, match=r"zero bytes: .*encoding: utf-16"):
        desk.run(text)
    run = desk.run(text, limits_text="table: {encoding: utf-16}\n" + LIMITS)
    assert len(run.series("mains")) == 10


def test_a_file_that_is_not_there_is_named(desk: Desk) -> None:
    with pytest.raises(UsageError, match=r"cannot read .*nowhere.csv"):
        desk.run(Path("nowhere.csv"))


def test_a_run_that_cannot_be_finished_is_removed_again(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise StoreError("no space left on device")

    monkeypatch.setattr("rig.interchange.import_recording.seal.seal", full)
    with pytest.raises(StoreError):
        desk.run(HEADER + calm())
    assert list((desk.folder / "runs").iterdir()) == []


def test_a_name_that_is_taken_is_refused_and_nothing_is_touched(desk: Desk) -> None:
    run = desk.run(HEADER + calm())
    before = sorted(str(path) for path in run.path.rglob("*"))
    with pytest.raises(StoreError, match="already exists"):
        desk.run(HEADER + calm())
    assert sorted(str(path) for path in run.path.rglob("*")) == before


def test_years_before_1970_are_kept(desk: Desk) -> None:
    """The Nile at Aswan, 10^8 m^3 a year, 1871 to 1880 (Cobb 1978, table 1)."""
    flow = (1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140)
    text = "year,flow\n" + "".join(f"{1871 + k}-07-01,{one}\n" for k, one in enumerate(flow))
    nile = 'channels: {nile: {from: flow, unit: "1", low: 900, kind: response}}\n'
    run = desk.run(text, limits_text=nile)
    series = run.series("nile")
    assert series.value.tolist() == [float(one) for one in flow]
    assert series.t_ns[0] < 0
    # half a day to either side; stamps so wide are kept to a tenth of their width
    assert 43_200 * SECOND <= series.h_ns[0] <= 44_000 * SECOND
    assert texts(run, EventKind.LIMIT_OUT) == ["nile below low limit 900: 813"]


def test_the_limits_file_is_frozen_in_the_run(desk: Desk) -> None:
    run = desk.run(HEADER + calm())
    (frozen,) = (run.path / "config").glob("*.yaml")
    assert frozen.read_text() == LIMITS


def test_all_faults_of_a_limits_file_are_told_at_once(desk: Desk) -> None:
    bad = desk.write(
        LIMITS.replace("high: 95 degC", "hihg: 95 degC").replace("low: 207 V", "low: 207 A"), "l.yaml"
    )
    table = desk.write(HEADER + calm())
    with pytest.raises(ConfigError) as caught:
        import_files([table], bad, runs=desk.folder / "runs")
    found = [fault.path for fault in caught.value.faults]
    assert any(path.startswith("units.A1.channels.heatsink") for path in found)
    assert "channels.mains.low" in found
