"""Exports read back with other people's readers; export and import as one circle."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rig.errors import StoreError, UsageError
from rig.interchange import export as module
from rig.interchange.export import ExportSelection, export
from rig.interchange.outfile import ColumnKind, CsvSheet, FileColumn, NumberFormat, guarded, whole
from rig.store.reader import RunReader
from tests.interchange.tables import HEADER, LIMITS, Desk, row, statuses, values

OWN = LIMITS.replace("from: tc1, ", "").replace("from: volts, ", "")
"""The limits file for a table whose columns are called like the channels."""
BERLIN = ZoneInfo("Europe/Berlin")


def recorded(desk: Desk) -> RunReader:
    lines = [row(k, cell, 40 + k / 3, 230) for k, cell in enumerate(["60.5", "OL", "", "61.25", "62"])]
    return desk.run(HEADER + "".join(lines) + row(9, 63, 40, 230))


def rows_of(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file, delimiter=delimiter))


def test_wide_csv_names_units_and_both_times_and_says_why_a_cell_is_blank(desk: Desk) -> None:
    run, to = recorded(desk), desk.folder / "out.csv"
    count = export(run.path, to, ExportSelection(zone=BERLIN))
    rows = rows_of(to)
    assert count == len(rows) == 11
    assert list(rows[0]) == [
        "time_utc", "time_local", "mains [V]", "mains status", "A1.heatsink [degC]", "A1.heatsink status",
        "A1.output [V]", "A1.output status",
    ]  # fmt: skip
    assert rows[0]["time_utc"] == "2031-02-03T12:00:00Z"
    assert rows[0]["time_local"] == "2031-02-03T13:00:00+01:00"
    assert [one["A1.heatsink [degC]"] for one in rows] == [
        "60.5", "", "", "61.25", "62", "62", "62", "", "", "63", "63",
    ]  # fmt: skip
    # a blank status: no reading was young enough (2.5 polls)
    assert [one["A1.heatsink status"] for one in rows] == [
        "GOOD", "OVER", "NO_VALUE", "GOOD", "GOOD", "GOOD", "GOOD", "", "", "GOOD", "GOOD",
    ]  # fmt: skip
    assert to.read_bytes().count(b"\r\n") == 12  # RFC 4180, 2: lines end in CR LF


def test_without_status_columns_only_good_values_stand(desk: Desk) -> None:
    more = LIMITS.replace("unit: degC,", "unit: degC, plausible: [0 degC, 100 degC],")
    run = desk.run(HEADER + row(0, 60, 40, 230) + row(1, 500, 40, 230), limits_text=more)
    to = desk.folder / "out.csv"
    export(run.path, to, ExportSelection(statuses=False, zone=UTC))
    rows = rows_of(to)
    assert list(rows[0]) == ["time_utc", "time_local", "mains [V]", "A1.heatsink [degC]", "A1.output [V]"]
    assert [one["A1.heatsink [degC]"] for one in rows[:2]] == ["60", ""]
    export(run.path, to, ExportSelection(zone=UTC), force=True)
    assert [one["A1.heatsink [degC]"] for one in rows_of(to)[:2]] == ["60", "500"]
    assert rows_of(to)[1]["A1.heatsink status"] == "SUSPECT"


def test_decimal_commas_come_with_semicolons(desk: Desk) -> None:
    to = desk.folder / "out.csv"
    export(recorded(desk).path, to, ExportSelection(decimal=",", zone=UTC))
    assert rows_of(to, delimiter=";")[0]["A1.heatsink [degC]"] == "60,5"


def test_channels_unit_stretch_step_and_age_are_chosen(desk: Desk) -> None:
    run, to = recorded(desk), desk.folder / "out.csv"
    noon = run.series("mains").t_ns[0]
    wanted = ExportSelection(
        unit="A1",
        start_ns=int(noon) + 3 * 10**9,
        end_ns=int(noon) + 6 * 10**9,
        every_s=0.5,
        age_s=0.4,
        zone=UTC,
    )
    export(run.path, to, wanted)
    rows = rows_of(to)
    assert rows[1]["time_utc"] == "2031-02-03T12:00:03.500Z"
    assert [one["A1.heatsink [degC]"] for one in rows] == ["61.25", "", "62", "", "", "", ""]
    assert "mains [V]" not in rows[0]


def test_the_first_row_of_a_stretch_holds_the_reading_before_it(desk: Desk) -> None:
    run, to = recorded(desk), desk.folder / "out.csv"
    start = int(run.series("mains").t_ns[0]) + 3_500_000_000
    export(run.path, to, ExportSelection(start_ns=start, every_s=0.5, zone=UTC))
    assert rows_of(to)[0]["A1.heatsink [degC]"] == "61.25"


@pytest.mark.parametrize(
    ("wanted", "message"),
    [
        (
            ExportSelection(channels=("A1.heatsnik",)),
            "no channel named 'A1.heatsnik' in this recording; there are: mains",
        ),
        (ExportSelection(unit="A9"), "no unit named 'A9' in this recording; there are: A1"),
        (ExportSelection(every_s=0.0), "--every 0 s"),
        (ExportSelection(start_ns=2 * 10**18, end_ns=10**18), "the period ends"),
    ],
)
def test_what_is_not_there_is_refused_by_name(desk: Desk, wanted: ExportSelection, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        export(recorded(desk).path, desk.folder / "out.csv", wanted)
    assert not list(desk.folder.glob("*out.csv*"))


def test_channels_may_be_named_by_patterns_and_each_comes_once(desk: Desk) -> None:
    to = desk.folder / "out.csv"
    export(recorded(desk).path, to, ExportSelection(channels=("A1.heat*", "A1.*"), statuses=False, zone=UTC))
    names = [name for name in rows_of(to)[0] if name.startswith("A1.")]
    assert names[0] == "A1.heatsink [degC]"
    assert len(names) == len(set(names)) > 1


def test_a_file_that_exists_is_replaced_only_by_force(desk: Desk) -> None:
    run, to = recorded(desk), desk.write("mine", "out.csv")
    with pytest.raises(UsageError, match="already exists; write --force"):
        export(run.path, to, ExportSelection())
    assert to.read_text() == "mine"
    export(run.path, to, ExportSelection(), force=True)
    assert to.read_text() != "mine"


def test_another_ending_is_refused(desk: Desk) -> None:
    with pytest.raises(UsageError, match=r"must end in .csv, .xlsx, .parquet, found '.ods'"):
        export(recorded(desk).path, desk.folder / "out.ods", ExportSelection())


def test_an_export_that_fails_leaves_nothing_behind(desk: Desk) -> None:
    to = desk.folder / "out.csv"

    def half() -> None:
        with whole(to, force=False) as part:
            part.write_text("half")
            raise OSError(28, "No space left on device")

    with pytest.raises(StoreError, match=r"could not write .*out.csv: No space left on device"):
        half()
    assert not list(desk.folder.glob("*out*"))


def test_xlsx_holds_numbers_and_times_and_what_they_are(desk: Desk) -> None:
    run, to = recorded(desk), desk.folder / "out.xlsx"
    export(run.path, to, ExportSelection(zone=BERLIN))
    book = openpyxl.load_workbook(to)
    sheet = book["readings"]
    rows = list(sheet.iter_rows(values_only=True))
    assert rows[0][:4] == ("time_utc", "time_local", "mains [V]", "mains status")
    assert rows[1][:6] == (
        datetime(2031, 2, 3, 12), datetime(2031, 2, 3, 13), 230, "GOOD", 60.5, "GOOD",  # noqa: DTZ001 - sheets have no zones
    )  # fmt: skip
    assert rows[2][4:6] == (None, "OVER")
    assert sheet["A2"].number_format == "yyyy-mm-dd hh:mm:ss.000"
    about = {str(name): text for name, text in book["about"].iter_rows(values_only=True)}
    assert "no older than 2.5 s" in str(about["grid"])


def exported(desk: Desk, to: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Export in a process of its own, which ends with whatever its libraries have to say at their end."""
    command = [sys.executable, "-m", "rig.cli", "export", str(recorded(desk).path), "--every", "10 ms"]
    return subprocess.run(
        [*command, "--to", str(to)], capture_output=True, text=True, check=False,
        env={**os.environ, **environment},
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("ending", ["csv", "xlsx", "parquet"])
def test_a_full_disk_is_one_line_on_the_terminal_and_leaves_nothing_there(
    small_disk: Path, desk: Desk, ending: str
) -> None:
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes((4 << 20) - 4096))
    to = small_disk / f"out.{ending}"
    done = exported(desk, to)
    assert done.returncode == 5
    assert len(done.stderr.splitlines()) == 1
    assert f"could not write {to}" in done.stderr
    assert list(small_disk.iterdir()) == [ballast]


@pytest.mark.slow
def test_no_room_to_make_up_a_sheet_is_said_with_its_folder(small_disk: Path, desk: Desk) -> None:
    (small_disk / "ballast").write_bytes(bytes((4 << 20) - 4096))
    done = exported(desk, desk.folder / "out.xlsx", TMPDIR=str(small_disk))
    assert done.returncode == 5
    assert f"could not make up the sheet in {small_disk}: No space left" in done.stderr
    assert not (desk.folder / "out.xlsx").exists()


def test_more_rows_than_a_sheet_holds_are_refused_with_what_to_do(desk: Desk) -> None:
    with pytest.raises(UsageError, match=r"do not fit a sheet, which holds 1,048,576 .*--every"):
        export(recorded(desk).path, desk.folder / "out.xlsx", ExportSelection(every_s=1e-6))


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\r=1"])
def test_no_text_becomes_a_formula_in_a_spreadsheet(tmp_path: Path, text: str) -> None:
    """The characters that begin a formula: OWASP, "CSV injection"."""
    assert guarded(text) == f"'{text}"
    columns = [FileColumn(name=text, kind=ColumnKind.TEXT), FileColumn(name="number", kind=ColumnKind.NUMBER)]
    sheet = CsvSheet(tmp_path / "x.csv", columns, NumberFormat(zone=UTC, digits=0, decimal="."))
    sheet.add([[text], np.array([-1.5])])
    sheet.close()
    with (tmp_path / "x.csv").open(newline="") as file:
        header, cells = csv.reader(file)
    assert header[0][0] not in "=+-@\t\r"
    assert cells[0][0] not in "=+-@\t\r"
    assert cells[1] == "-1.5"


def test_wide_parquet_is_read_by_pandas_and_duckdb_as_it_is(desk: Desk) -> None:
    run, to = recorded(desk), desk.folder / "out.parquet"
    export(run.path, to, ExportSelection(zone=BERLIN))
    frame = pd.read_parquet(to)
    assert str(frame["time_local"].dtype.tz) == "Europe/Berlin"  # type: ignore[union-attr]
    assert (frame["time_local"] == frame["time_utc"]).all()
    assert frame["A1.heatsink [degC]"].tolist()[3:5] == [61.25, 62.0]
    asked = duckdb.sql(f'select max("A1.output [V]"), count("A1.heatsink [degC]") from \'{to}\'')
    assert asked is not None
    best = asked.fetchall()
    assert best[0] == (pytest.approx(40 + 4 / 3), 7)


def test_a_zone_without_a_name_gives_local_times_as_text(desk: Desk) -> None:
    to = desk.folder / "out.parquet"
    export(recorded(desk).path, to, ExportSelection(zone=timezone(timedelta(hours=5, minutes=30))))
    assert pd.read_parquet(to)["time_local"][0] == "2031-02-03T17:30:00+05:30"


def circle(desk: Desk, run: RunReader, to: Path) -> RunReader:
    export(run.path, to, ExportSelection(long=True, zone=BERLIN), force=True)
    return desk.run(to, limits_text=OWN, name=f"from-{to.suffix[1:]}-{len(desk.said)}")


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_a_long_export_comes_back_as_the_same_readings(desk: Desk, suffix: str) -> None:
    lines = [row(k, cell, 40 + k / 3, 230) for k, cell in enumerate(["60.5", "OL", "", "61.25", "x", "62"])]
    run = desk.run(HEADER + "".join(lines) + row(2, 63, 40, 230) + row(2, 64, 41.7, 230))
    again = circle(desk, run, desk.folder / f"out{suffix}")
    for name in ("mains", "A1.heatsink", "A1.output"):
        one, other = run.series(name), again.series(name)
        assert one.t_ns.tolist() == other.t_ns.tolist()
        assert one.h_ns.tolist() == other.h_ns.tolist()
        assert (values(one), statuses(one)) == (values(other), statuses(other))
        assert one.session.tolist() == other.session.tolist()


CELLS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12).map(repr),
    st.sampled_from(["", "OL", "-OL", "NaN", "x"]),
)


@pytest.mark.slow
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 59), CELLS, CELLS), min_size=1, max_size=20))
def test_any_readings_survive_the_circle(desk: Desk, lines: list[tuple[int, str, str]]) -> None:
    name = f"made-{len(desk.said)}"
    run = desk.run(HEADER + "".join(row(k, a, b, 230) for k, a, b in lines), name=name)
    again = circle(desk, run, desk.folder / "out.csv")
    for channel in ("A1.heatsink", "A1.output"):
        one, other = run.series(channel), again.series(channel)
        assert (one.t_ns.tolist(), values(one), statuses(one)) == (
            other.t_ns.tolist(), values(other), statuses(other),
        )  # fmt: skip


def test_a_wide_export_on_its_own_grid_comes_back_too(desk: Desk) -> None:
    run, to = recorded(desk), desk.folder / "out.csv"
    export(run.path, to, ExportSelection(age_s=0.0, zone=BERLIN))
    again = desk.run(to, limits_text=OWN, name="again")
    assert values(again.series("A1.heatsink"))[:5] == values(run.series("A1.heatsink"))[:5]
    assert statuses(again.series("A1.heatsink"))[:5] == statuses(run.series("A1.heatsink"))[:5]
    assert desk.heard("'time_local' holds times too and was not used")


def test_long_runs_are_written_in_pieces_that_join_without_a_seam(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = recorded(desk)
    export(run.path, desk.folder / "one.csv", ExportSelection(zone=UTC))
    monkeypatch.setattr(module, "CHUNK_ROWS", 3)
    export(run.path, desk.folder / "two.csv", ExportSelection(zone=UTC))
    assert (desk.folder / "one.csv").read_bytes() == (desk.folder / "two.csv").read_bytes()
