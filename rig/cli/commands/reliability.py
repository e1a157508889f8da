"""Explain: reliability demonstrated by the hours of many units and runs, and its limits."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from rig.cli.many_runs import counting_argument, digests, ev_pm_argument, exit_code, places_arguments, width
from rig.errors import StoreError

if TYPE_CHECKING:
    from rig.endurance.acceleration import Acceleration

EXAMPLE = "soakrig reliability runs --mtbf 20000 --confidence 0.9"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    places_arguments(parser)
    counting_argument(parser)
    parser.add_argument("--confidence", type=float, default=0.9, help="of all bounds; default 0.9")
    parser.add_argument("--mtbf", type=float, metavar="H", help="MTBF to be proved: how many more hours?")
    parser.add_argument(
        "--good-mtbf", type=float, metavar="H",
        help="MTBF of a good design: how likely it fails the test that proves --mtbf, and a poor one passes",
    )  # fmt: skip
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
    ev_pm_argument(parser)
    parser.add_argument(
        "--power-law", nargs=3, type=float, metavar=("EXPONENT", "USE", "TEST"),
        help="life falls with this power of a stress (voltage, swing) that is USE in use and TEST here",
    )  # fmt: skip


def run(args: argparse.Namespace) -> tuple[int, str]:
    """Carry the command out."""
    from rig.reliability.design_evidence import EvidenceOptions, demonstrate
    from rig.render import reliability_text as report

    found, unread = digests(args, args.places)
    if unread and not found:
        raise StoreError(f"no run could be read: {'; '.join(unread)}")
    proof = demonstrate(
        found,
        EvidenceOptions(
            confidence=args.confidence,
            mtbf_h=args.mtbf,
            good_mtbf_h=args.good_mtbf,
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
    said = report.as_json(proof, unread) if args.json else report.text(proof, unread, width())
    return exit_code(unread), said


def _acceleration(args: argparse.Namespace) -> Acceleration | None:
    from rig.endurance.acceleration import arrhenius, power_law

    heat = arrhenius(*args.arrhenius, half_width_ev=args.ev_pm) if args.arrhenius else None
    if not args.power_law:
        return heat
    exponent, use, test = args.power_law
    stress = power_law(use, test, exponent)
    return heat.times(stress) if heat is not None else stress
