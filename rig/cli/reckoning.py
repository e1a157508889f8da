"""Commands that account for runs, one or many: what was endured, what it proves, how units differ."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TypeVar

from rig.cli import progress
from rig.cli.arguments import aside, duration_s, readable, tell_left_out
from rig.cli.order_commands import CliCommand
from rig.errors import StoreError, UsageError

if TYPE_CHECKING:
    from rig.endurance.comparison import Party
    from rig.fleet.ask_runs import Crew
    from rig.fleet.run_questions import RunQuestion
    from rig.reliability.acceleration import Acceleration
    from rig.reliability.run_digest import RunDigest
    from rig.store.reader import RunReader

T = TypeVar("T")

PLACES = "runs, folders of runs at any depth, or s3://BUCKET/KEY; default: ./runs"
_JSON = "print JSON (field names are those of the text's numbers and stay)"


def _width() -> int:
    from rig.render.text_layout import terminal_width

    return terminal_width()


def _one_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "run",
        metavar="RUN",
        nargs="?",
        default="runs",
        help="a run, a folder of runs (its newest is taken) or s3://BUCKET/KEY; default: ./runs",
    )
    parser.add_argument("--json", action="store_true", help=_JSON)


def _places_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("places", metavar="PLACE", nargs="*", default=["runs"], help=PLACES)
    _crew_arguments(parser)


def _crew_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help=_JSON)
    parser.add_argument(
        "--processes", type=int, default=1, metavar="N", help="ask N runs at a time; default 1"
    )
    parser.add_argument(
        "--scheduler", metavar="ADDRESS", help="ask on a Dask cluster, as tcp://HOST:8786 (extra: cluster)"
    )


def _counting_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--count",
        choices=("targets", "output", "logged"),
        help="which hours count: within the phases' targets, giving output, or logged; default: the "
        "strictest that the rig file has words for",
    )


def _crew(args: argparse.Namespace) -> Crew:
    from rig.fleet.ask_runs import Crew

    if args.processes < 1:
        raise UsageError(f"--processes {args.processes}: expected 1 or more")
    return Crew(processes=args.processes, scheduler=args.scheduler)


def _asked(
    question: RunQuestion[T], places: list[str], args: argparse.Namespace
) -> tuple[list[T], list[str]]:
    """Return what the runs at ``places`` answered, and why others did not; progress goes to a terminal."""
    from rig.fleet import ask_runs
    from rig.fleet import run_places as where

    addresses = where.find(places)
    with progress.shown("asking runs") as told:
        answers = ask_runs.ask(question, addresses, _crew(args), told)
    return [one.value for one in answers if one.value is not None], [
        one.error if one.error.startswith(one.where) else f"{one.where}: {one.error}"
        for one in answers
        if one.error
    ]


def _code(unread: list[str]) -> int:
    """Return the exit code of an answer that some runs take no part in."""
    return StoreError.exit_code if unread else 0


def _open(place: str) -> RunReader:
    from rig.fleet import run_places as places

    return readable(places.open_run(places.single(place)))


# ---- one run


def _account_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "places", metavar="RUN", nargs="*", default=["runs"],
        help="one run (or a folder: its newest); with --all, or several: every run there, added up by serial "
        "number; s3://BUCKET/KEY works too; default: ./runs",
    )  # fmt: skip
    parser.add_argument("--all", action="store_true", help="all runs at these places, by serial number")
    parser.add_argument("--unit", help="only this unit, by its place or serial number")
    _counting_argument(parser)
    _crew_arguments(parser)


def _account(args: argparse.Namespace) -> tuple[int, str]:
    if args.all or len(args.places) > 1 or args.scheduler:
        return _histories(args)
    from rig.endurance.run_account import account
    from rig.render import account_text as report

    run = _open(args.places[0])
    found = account(run, args.unit)
    tell_left_out(run)
    return 0, report.as_json(found) if args.json else report.text(found, _width())


def _histories(args: argparse.Namespace) -> tuple[int, str]:
    from rig.reliability.run_digest import histories
    from rig.render import fleet_text

    digests, unread = _digests(args, args.places)
    found = [one for one in histories(digests) if args.unit in {None, one.serial, *_seats(one)}]
    if args.unit is not None and not found:
        raise UsageError(f"no unit or serial number {args.unit!r} in these runs")
    if args.json:
        return _code(unread), fleet_text.histories_json(found, unread)
    return _code(unread), fleet_text.histories(found, unread, _width())


def _seats(one: object) -> set[str]:
    from rig.reliability.run_digest import History

    return {stay.unit for _, stay in one.stays} if isinstance(one, History) else set()


def _digests(args: argparse.Namespace, places: list[str]) -> tuple[list[RunDigest], list[str]]:
    from rig.fleet.run_questions import DigestQuestion
    from rig.reliability.service_hours import Counting

    return _asked(DigestQuestion(Counting(args.count) if args.count else None), places, args)


def _verdict(args: argparse.Namespace) -> tuple[int, str]:
    from rig.endurance.run_account import account, judged
    from rig.render import verdict_text as report

    run = _open(args.run)
    found = judged(run, account(run))
    tell_left_out(run)
    return found.outcome.exit_code, report.as_json(found) if args.json else report.text(
        found, run.layout.rig, _width()
    )


def _compare_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("first", metavar="A", help="the reference: a run, a folder (its newest) or s3://...")
    parser.add_argument("second", metavar="B", help="what is held against it; may be the same run")
    parser.add_argument("--unit-a", help="place or serial number in A; default: every place both runs have")
    parser.add_argument("--unit-b", help="place or serial number in B; default: that of A")
    parser.add_argument("--confidence", type=float, default=0.95, help="default 0.95")
    parser.add_argument("--json", action="store_true", help=_JSON)


def _compare(args: argparse.Namespace) -> tuple[int, str]:
    from rig.endurance.comparison import compare
    from rig.render import comparison_text as report

    if not 0.5 <= args.confidence < 1:
        raise UsageError(f"--confidence {args.confidence:g}: expected a number from 0.5, below 1")
    pairs = _parties(args)
    found = [compare(one, two, args.confidence) for one, two in pairs]
    return 0, report.as_json(found) if args.json else report.text(found, _width())


def _parties(args: argparse.Namespace) -> list[tuple[Party, Party]]:
    from rig.endurance.held_readings import HeldReadings
    from rig.endurance.sides import sides
    from rig.fleet import run_places as places

    one, two = places.single(args.first), places.single(args.second)
    here = readable(places.open_run(one))
    there = here if one == two else readable(places.open_run(two))
    return sides(
        (here.dir.name, HeldReadings(here)), (there.dir.name, HeldReadings(there)), args.unit_a, args.unit_b
    )


# ---- many runs


def _ls_arguments(parser: argparse.ArgumentParser) -> None:
    _places_arguments(parser)


def _ls(args: argparse.Namespace) -> tuple[int, str]:
    from rig.fleet.run_questions import Summarise
    from rig.render import runs_text

    found, unread = _asked(Summarise(), args.places, args)
    return _code(unread), runs_text.as_json(found, unread) if args.json else runs_text.text(found, unread)


def _demonstrate_arguments(parser: argparse.ArgumentParser) -> None:
    _places_arguments(parser)
    _counting_argument(parser)
    parser.add_argument("--confidence", type=float, default=0.9, help="of all bounds; default 0.9")
    parser.add_argument("--mtbf", type=float, metavar="H", help="MTBF to be proved: how many more hours?")
    parser.add_argument("--units", type=int, default=0, metavar="N", help="how many units share those hours")
    parser.add_argument("--failed", action="append", default=[], metavar="SERIAL", help="count it as failed")
    parser.add_argument("--survived", action="append", default=[], metavar="SERIAL", help="count it as alive")
    parser.add_argument(
        "--repaired", action="append", default=[], metavar="SERIAL",
        help="it was repaired after it failed and lives another life since",
    )  # fmt: skip
    parser.add_argument("--shape", type=float, metavar="B", help="Weibull shape, where it must be assumed")
    parser.add_argument("--reliability", type=float, metavar="R", help="share that must survive the mission")
    parser.add_argument("--mission", type=float, metavar="H", help="length of the mission")
    parser.add_argument("--test", type=float, metavar="H", help="length of the test; default: the mission")
    parser.add_argument(
        "--arrhenius", nargs=3, type=float, metavar=("EV", "USE_C", "TEST_C"),
        help="activation energy, part temperature in use and in the test: hours of test as hours of use",
    )  # fmt: skip
    parser.add_argument("--ev-pm", type=float, default=0.0, metavar="EV", help="how far EV may be off")
    parser.add_argument(
        "--power-law", nargs=3, type=float, metavar=("EXPONENT", "USE", "TEST"),
        help="life falls with this power of a stress (voltage, swing) that is USE in use and TEST here",
    )  # fmt: skip


def _demonstrate(args: argparse.Namespace) -> tuple[int, str]:
    from rig.reliability.design_evidence import EvidenceOptions, prove
    from rig.render import reliability_text as report

    digests, unread = _digests(args, args.places)
    if unread and not digests:
        raise StoreError(f"no run could be read: {'; '.join(unread)}")
    proof = prove(
        digests,
        EvidenceOptions(
            confidence=args.confidence,
            mtbf_h=args.mtbf,
            units=args.units,
            reliability=args.reliability,
            mission_h=args.mission,
            test_h=args.test,
            shape=args.shape,
            failed=tuple(args.failed),
            survived=tuple(args.survived),
            repaired=tuple(args.repaired),
            acceleration=_acceleration(args),
        ),
    )
    said = report.as_json(proof, unread) if args.json else report.text(proof, unread, _width())
    return _code(unread), said


def _acceleration(args: argparse.Namespace) -> Acceleration | None:
    from rig.reliability.acceleration import arrhenius, power_law

    heat = arrhenius(*args.arrhenius, pm_ev=args.ev_pm) if args.arrhenius else None
    if not args.power_law:
        return heat
    exponent, use, test = args.power_law
    stress = power_law(use, test, exponent)
    return heat.times(stress) if heat is not None else stress


def _search_arguments(parser: argparse.ArgumentParser) -> None:
    _places_arguments(parser)
    parser.add_argument(
        "--kind", default="excursion", help="excursion, early, or any kind of event; default: excursion"
    )
    parser.add_argument("--channel", help="a quantity such as heatsink, or a pattern such as 'A*.heatsink'")
    parser.add_argument("--unit", help="only this place")
    parser.add_argument("--serial", help="only this serial number")
    parser.add_argument(
        "--since", metavar="TIME", help="first moment in UTC, as 2031-02-03 or 2031-02-03T04:05"
    )
    parser.add_argument("--until", metavar="TIME", help="last moment in UTC; a day counts whole")
    parser.add_argument("--text", help="part of the words, whatever the case")


def _search(args: argparse.Namespace) -> tuple[int, str]:
    from rig.endurance.event_search import EXCURSION, KINDS, EventQuery, in_order
    from rig.fleet.run_questions import Search
    from rig.render import fleet_text

    if args.kind not in KINDS:
        raise UsageError(f"--kind {args.kind!r}: there are {', '.join(KINDS)}")
    wish = EventQuery(
        kind=args.kind, channel=args.channel, unit=args.unit, serial=args.serial,
        since_ns=_moment_ns(args.since, "--since"), until_ns=_moment_ns(args.until, "--until", whole=True),
        text=args.text,
    )  # fmt: skip
    lists, unread = _asked(Search(wish), args.places, args)
    found = in_order(lists)
    said = (
        fleet_text.sightings_json(found, unread)
        if args.json
        else fleet_text.sightings(found, unread, len(lists), _width())
    )
    if not found and not args.json and args.kind == EXCURSION and args.text:
        said += "\nlooked at excursions only: --kind note, phase, check ... looks at other events"
    return _code(unread), said


def _moment_ns(text: str | None, option: str, *, whole: bool = False) -> int | None:
    """Return a moment in UTC ns; ``whole``: the end of the day where only a day is written."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{option} {text!r}: {error}; write 2031-02-03 or 2031-02-03T04:05:06") from error
    moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment
    day_ns = 86_400 * 1_000_000_000 - 1 if whole and len(text) <= len("2031-02-03") else 0
    return int(moment.timestamp()) * 1_000_000_000 + moment.microsecond * 1000 + day_ns


def _upload_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "run", metavar="RUN", help="a run directory, or a folder of runs (its newest is taken)"
    )
    parser.add_argument("--to", metavar="PLACE", required=True, help="a folder, or s3://BUCKET/KEY")
    parser.add_argument("--every", metavar="TIME", help="go on until the run is over, e.g. every '10 min'")


def _upload(args: argparse.Namespace) -> tuple[int, str]:
    from pathlib import Path

    from rig.domain.formatting import counted, size
    from rig.fleet import upload
    from rig.store.rundir import newest_run

    path = newest_run(Path(args.run))
    if args.every:
        every_s = duration_s(args.every, "--every")
        if every_s < 1:
            raise UsageError(f"--every {args.every!r}: expected 1 s or more")
        done = upload.follow(path, args.to, every_s, aside)
    else:
        done = upload.upload(path, args.to, aside)
    waiting = ""
    if done.waiting:
        waiting = f"; {counted(done.waiting, 'journal')} not sealed yet, so not there"
    return 0, (
        f"{done.address}: {counted(len(done.put), 'file')} put ({size(done.size)}), {done.kept} there already"
        f"{waiting}"
    )


COMMANDS = (
    CliCommand(
        name="ls",
        summary="list runs, in folders of any depth or in an object store",
        example="soakrig ls runs",
        arguments=_ls_arguments,
        run=_ls,
    ),
    CliCommand(
        name="account",
        summary="say what each unit really endured: hours, energy, cycles, trips, margins, from readback",
        example="soakrig account runs --unit A3",
        arguments=_account_arguments,
        run=_account,
    ),
    CliCommand(
        name="verdict",
        summary="pass, fail or not proven, each reason with its evidence (exit code 0, 10 or 11)",
        example="soakrig verdict runs && echo passed",
        arguments=_one_argument,
        run=_verdict,
    ),
    CliCommand(
        name="compare",
        summary="hold unit against unit or run against run, what matters most first",
        example="soakrig compare runs/prototype runs/reference --unit-a A1 --unit-b A1",
        arguments=_compare_arguments,
        run=_compare,
    ),
    CliCommand(
        name="demonstrate",
        summary="say what the hours of many units and runs prove, and what they do not",
        example="soakrig demonstrate runs --mtbf 20000 --confidence 0.9",
        arguments=_demonstrate_arguments,
        run=_demonstrate,
    ),
    CliCommand(
        name="search",
        summary="find excursions, notes, gaps and other events in many runs",
        example="soakrig search archive --channel heatsink --since 2031-01-01",
        arguments=_search_arguments,
        run=_search,
    ),
    CliCommand(
        name="upload",
        summary="copy the finished files of a run to a folder or an object store; goes on where it stopped",
        example="soakrig upload runs --to s3://endurance/room-1 --every '10 min'",
        arguments=_upload_arguments,
        run=_upload,
    ),
)
