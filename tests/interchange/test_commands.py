"""Both commands from the command line, as a user types them."""

from __future__ import annotations

import csv
import json

import pytest

from rig.cli.app import main
from tests.interchange.tables import HEADER, LIMITS, Desk, row


def test_import_then_postmortem_then_export(desk: Desk, capfd: pytest.CaptureFixture[str]) -> None:
    """Truth made by hand: the heatsink warms and is out from second 29 on, the output from second 50 on."""
    lines = [row(k, min(97, 60 + 4 * max(0, k - 20)), 40 if k < 50 else 1, 230) for k in range(80)]
    table = desk.write(HEADER + "".join(lines))
    limits = desk.write(LIMITS, "limits.yaml")
    runs = desk.folder / "runs"
    assert main(["import", str(table), "--limits", str(limits), "--runs", str(runs)]) == 0
    said = capfd.readouterr().out
    assert "240 readings in 1 session, 2031-02-03 12:00:00.000 UTC to 2031-02-03 12:01:19.000 UTC" in said
    assert main(["postmortem", str(runs), "--json"]) == 0
    found = json.loads(capfd.readouterr().out)
    assert found["unit"] == "A1"
    assert found["order"]["tiers"] == [["A1.heatsink"], ["A1.output"]]
    assert main(["watch", str(runs), "--plain"]) == 0
    assert "A1" in capfd.readouterr().out
    to = desk.folder / "part.csv"
    options = ["--to", str(to), "--unit", "A1", "--every", "10 s", "--from", "2031-02-03T13:00:30", "--zone",
               "Europe/Berlin"]  # fmt: skip
    assert main(["export", str(runs), *options]) == 0
    assert "rows in" in capfd.readouterr().out
    with to.open(newline="") as file:
        rows = list(csv.reader(file))
    assert rows[1][:3] == ["2031-02-03T12:00:30Z", "2031-02-03T13:00:30+01:00", "97"]
    options[options.index("2031-02-03T13:00:30")] = "13:00:30"  # the last such time in the run
    assert main(["export", str(runs), *options, "--until", "13:01", "--force"]) == 0
    with to.open(newline="") as file:
        assert [row[0] for row in csv.reader(file)][1:] == [
            f"2031-02-03T12:0{at}Z" for at in ("0:30", "0:40", "0:50", "1:00")
        ]


def test_bad_options_end_with_the_code_for_usage(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    run = desk.run(HEADER + row(0, 60, 40, 230))
    to = str(desk.folder / "x.csv")
    for options, part in (
        (["--every", "often"], "--every 'often'"),
        (["--zone", "Atlantis"], "this machine knows no such zone"),
        (["--from", "yesterday"], "'yesterday' is not a date and time"),
    ):
        assert main(["export", str(run.path), "--to", to, *options]) == 2
        assert part in capsys.readouterr().err


def test_faults_of_a_limits_file_end_with_the_code_for_them(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    limits = desk.write(LIMITS.replace("kind", "kind").replace("low: 207 V", "low: 207"), "limits.yaml")
    table = desk.write(HEADER + row(0, 60, 40, 230))
    assert main(["import", str(table), "--limits", str(limits), "--runs", str(desk.folder / "runs")]) == 3
    assert (
        "limits.yaml:10: channels.mains.low: '207' has no unit of measure; write it in V"
        in capsys.readouterr().err
    )
