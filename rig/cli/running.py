"""Commands that run a rig: check it, record it, watch it, tell of it, and the demo of all that."""

from __future__ import annotations

import argparse
from pathlib import Path

from rig.cli.arguments import SOAKRIG, duration_s, file_argument, rig_file, run_argument, run_path, say
from rig.cli.order_commands import CliCommand

NOT_READY = 4


def _check_arguments(parser: argparse.ArgumentParser) -> None:
    file_argument(parser)
    parser.add_argument("--no-probe", action="store_true", help="at the desk: only read the file")


def _check(args: argparse.Namespace) -> tuple[int, str]:
    from rig.render import check_text

    config = rig_file(args.file)
    said = check_text.desk(config)
    if args.no_probe:
        return 0, said
    say(said)
    from rig.daemon import probe

    found = probe.probe(config)
    return 0 if found.good else NOT_READY, check_text.probed(found)


def _log_arguments(parser: argparse.ArgumentParser) -> None:
    file_argument(parser)
    parser.add_argument("--new", action="store_true", help="close the open run and begin a new one")
    parser.add_argument("--for", dest="duration", metavar="TIME", help="end the run after e.g. '10 min'")


def _log(args: argparse.Namespace) -> tuple[int, str]:
    from rig.daemon import session

    limit_s = duration_s(args.duration, "--for") if args.duration else None
    outcome = session.record(rig_file(args.file), new=args.new, duration_s=limit_s, say=say)
    readings = f"{outcome.health['readings']:,} readings" if "readings" in outcome.health else "ended"
    say(f"stopped: {outcome.reason}; {readings}; run {outcome.path}")
    return 0, ""


def _preflight_arguments(parser: argparse.ArgumentParser) -> None:
    file_argument(parser)
    parser.add_argument(
        "--yes", action="store_true", help="nobody is there: units are off and cold; pass over the rest"
    )
    parser.add_argument("--strict", action="store_true", help="what cannot be judged is bad, too")
    parser.add_argument("--new", action="store_true", help="close the open run and begin a new one")


def _preflight(args: argparse.Namespace) -> tuple[int, str]:
    import sys

    from rig.daemon import preflight_session, session
    from rig.domain.preflight_checks import CheckVerdict

    config = rig_file(args.file)
    guide = preflight_session.Guide(say, None if args.yes else sys.stdin)
    proof = preflight_session.PreflightSession(config, guide)
    outcome = session.record(config, new=args.new, say=say, guest=proof)
    guide.finish()
    wrong = {CheckVerdict.BAD, CheckVerdict.UNJUDGED} if args.strict else {CheckVerdict.BAD}
    bad = not proof.through or any(one.verdict in wrong for one in proof.found)
    return NOT_READY if bad else 0, f"{outcome.reason}; recorded in {outcome.path}"


def _watch_arguments(parser: argparse.ArgumentParser) -> None:
    run_argument(parser)
    parser.add_argument("--plain", action="store_true", help="print one picture as plain text and end")
    parser.add_argument("--at", metavar="TIME", help="a moment of the past: the last '03:12', or with a date")


def _watch(args: argparse.Namespace) -> tuple[int, str]:
    from rig.view import live_view

    return live_view.main_loop(run_path(args), once=args.plain, at=args.at), ""


def _alerts(args: argparse.Namespace) -> tuple[int, str]:
    from rig.alerts.__main__ import main as follow

    return follow([str(run_path(args))]), ""


def _alert_test(args: argparse.Namespace) -> tuple[int, str]:
    from rig import alerts

    results = alerts.test_message(rig_file(args.file))
    lines = [
        f"{'delivered' if one.delivered else 'FAILED   '}  {one.way}  {one.note} ({one.took_s:.1f} s)"
        for one in results
    ]
    return 0 if all(one.delivered for one in results) else NOT_READY, "\n".join(lines)


def _demo_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--scenario", help="what goes wrong; 'list' names all")
    parser.add_argument(
        "--whole-job",
        action="store_true",
        help="from pre-flight over a test program and a death to account, verdict and comparison (2 min)",
    )
    parser.add_argument("--seed", type=int, default=7, help="start of the random numbers (default 7)")
    parser.add_argument("--folder", help="where to put it (default: a new temporary folder)")
    parser.add_argument("--keep", action="store_true", help="keep the recording and say where it is")


def _demo(args: argparse.Namespace) -> tuple[int, str]:
    from rig.demo import main_job

    code = main_job.run(
        scenario=args.scenario,
        whole_job=args.whole_job,
        seed=args.seed,
        folder=Path(args.folder) if args.folder else None,
        keep=args.keep or args.folder is not None,
        say=say,
        soakrig=SOAKRIG,
    )
    return code, ""


COMMANDS = (
    CliCommand(
        name="check",
        summary="find every mistake in a rig file, then see whether the rig answers",
        example="soakrig check configs/room.yaml --no-probe",
        arguments=_check_arguments,
        run=_check,
    ),
    CliCommand(
        name="preflight",
        summary="prove a rig step by step before the weeks begin; the result is part of the run",
        example="soakrig preflight configs/room.yaml",
        arguments=_preflight_arguments,
        run=_preflight,
    ),
    CliCommand(
        name="log",
        summary="record a run; goes on with the open run of this rig if there is one",
        example="soakrig log configs/room.yaml",
        arguments=_log_arguments,
        run=_log,
    ),
    CliCommand(
        name="watch",
        summary="show a run live, or as it ended",
        example="soakrig watch runs",
        arguments=_watch_arguments,
        run=_watch,
    ),
    CliCommand(
        name="alerts",
        summary="tell people of what happens in a run; 'soakrig log' starts this by itself",
        example="soakrig alerts runs",
        arguments=run_argument,
        run=_alerts,
    ),
    CliCommand(
        name="alert-test",
        summary="send one test message by every way of a rig file",
        example="soakrig alert-test configs/alerts.yaml",
        arguments=file_argument,
        run=_alert_test,
    ),
    CliCommand(
        name="demo",
        summary="record a simulated room over real transports, let a unit die, explain its death",
        example="soakrig demo --scenario fan-failure --seed 3 --keep",
        arguments=_demo_arguments,
        run=_demo,
    ),
)
