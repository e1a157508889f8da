"""Reports, pages and plots of runs on disk, through the command line."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.cli import app
from rig.domain.model import EventKind
from rig.render import run_facts
from rig.store.reader import RunReader
from tests.render.pages.pagecheck import parsed, said
from tests.view.recordings import Recording


@pytest.fixture
def made(tmp_path: Path) -> Recording:
    """Return a run of two sessions; the second is going on."""
    recording = Recording(tmp_path / "runs")
    for ago_s in (3.0, 2.0):
        recording.scans(ago_s=ago_s)
    recording.event(EventKind.NOTE, "run", "guard open <i>here</i>")
    recording.crash()
    recording.begin(recording.plan)
    recording.scans({"A1.heatsink": 120.0}, ago_s=1.0)
    recording.scans({"A1.heatsink": 121.0})
    return recording


def test_facts_of_a_run_name_its_state_sessions_and_rig_files(made: Recording) -> None:
    facts = run_facts.facts(RunReader.open(made.path))
    assert facts.state == "running"
    assert facts.name == "soak"
    assert [one.sessions for one in facts.configs] == [(1,), (2,)]
    assert [one.text for one in facts.configs] == ["session: 1\n", "session: 2\n"]
    assert all(one.sha256.startswith(one.name) for one in facts.configs)
    made.crash()
    assert run_facts.facts(RunReader.open(made.path)).state == "crashed"


def test_a_rig_file_that_is_gone_is_reported_and_the_rest_is_there(made: Recording) -> None:
    for path in (made.path / "config").glob("*.yaml"):
        path.unlink()
    facts = run_facts.facts(RunReader.open(made.path))
    assert [one.text for one in facts.configs] == ["", ""]


def test_report_writes_a_page_of_a_run_that_goes_on(
    made: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert app.main(["report", str(made.path), "--to", str(tmp_path / "out")]) == 0
    printed = capsys.readouterr().out
    assert f"written: {tmp_path / 'out' / 'report.html'}" in printed
    words = said(parsed((tmp_path / "out" / "report.html").read_text("utf-8")))
    for wanted in (
        "State running",
        "guard open <i>here</i>",
        "A1.heatsink",
        "running",
        "ENDED WITHOUT A STOP",
    ):
        assert wanted in words
    assert (tmp_path / "out" / "report.md").is_file()


def test_the_report_lists_incidents_with_their_dispositions_and_the_caution_before_the_open_ones(
    made: Recording, tmp_path: Path
) -> None:
    page = tmp_path / "report.md"
    assert app.main(["report", str(made.path), "--to", str(page)]) == 0
    assert "## Incidents" not in page.read_text("utf-8")
    made.event(EventKind.NOTE, "A1", "smoke", unit="A1", died=True)
    made.scans()
    assert app.main(["report", str(made.path), "--to", str(page)]) == 0
    section = page.read_text("utf-8").partition("## Incidents")[2].partition("\n## ")[0]
    assert section.index("Isolate it from the mains") < section.index("noted failure")
    assert "1 of 1 open" in section
    assert "smoke" in section


def test_postmortem_writes_a_page_beside_the_text(
    made: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "a1.html"
    assert app.main(["postmortem", str(made.path), "--unit", "A1", "--page", str(page)]) == 0
    said_ = capsys.readouterr()
    assert said_.out.startswith("POST-MORTEM of unit A1")
    assert said_.err == f"written: {page}\n"
    assert "Post-mortem of unit A1" in said(parsed(page.read_text("utf-8")))


def test_plot_draws_the_last_seconds(made: Recording, tmp_path: Path) -> None:
    picture = tmp_path / "heat.svg"
    assert app.main(["plot", str(made.path), "A*.heatsink", "--last", "2 s", "--to", str(picture)]) == 0
    assert "A2.heatsink" in picture.read_text("utf-8")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["report", "RUN", "--to", "x.pdf"], "a report cannot be written as 'x.pdf'"),
        (["report", "nowhere"], "is neither a run directory nor a folder with runs"),
        (["plot", "RUN", "no.such", "--to", "x.svg"], "no channel named 'no.such'"),
        (["plot", "RUN", "mains", "--to", "x.gif"], "name a file that ends in .svg or .png"),
        (["plot", "RUN", "mains", "--from", "noon", "--to", "x.svg"], "--from or --until"),
        (["plot", "RUN", "mains", "--last", "2 parsec", "--to", "x.svg"], "--last '2 parsec'"),
        (["plot", "RUN", "mains", "--until", "2001-01-02T00:00:00Z", "--to", "x.svg"], "nothing to draw"),
        (["postmortem", "RUN", "--page", "x.txt"], "name a file that ends in .html or .md"),
    ],
)  # fmt: skip
def test_what_makes_no_sense_is_answered_in_one_line(
    made: Recording, arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code = app.main([str(made.path) if one == "RUN" else one for one in arguments])
    said_ = capsys.readouterr().err
    assert code in (2, 7)
    assert words in said_
    assert said_.count("\n") == 1
