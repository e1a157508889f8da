"""Every command in a line: what ``soakrig --help`` shows, without loading what the commands need.

A command's own module says the same words; a test holds the two together.
"""

from __future__ import annotations

LISTED: dict[str, dict[str, str]] = {
    "rig.cli.running": {
        "check": "find every mistake in a rig file, then see whether the rig answers",
        "preflight": "prove a rig step by step before the weeks begin; the result is part of the run",
        "log": "record a run; goes on with the open run of this rig if there is one",
        "watch": "show a run live, or as it ended",
        "alerts": "tell people of what happens in a run; 'soakrig log' starts this by itself",
        "alert-test": "send one test message by every way of a rig file",
        "demo": "record a simulated room over real transports, let a unit die, explain its death",
    },
    "rig.cli.explaining": {
        "postmortem": "say in which order the channels of a unit went out of limit, and how sure that is",
        "report": "write what a run was, what happened in it and what was missed, with pictures",
        "plot": "draw channels of a run with their limits; a single reading that strayed stays visible",
        "verify": "check every byte of a run against its checksums",
    },
    "rig.cli.order_commands": {
        "note": "write down in the run what somebody saw or did",
        "swap": "record that another serial number sits in a position from now on",
        "reload": (
            "judge by the limits of another rig file from now on; the recording says who, when and what"
        ),
        "phase": "move in the test program by hand: to the next phase or a named one, hold it, let it go on",
    },
    "rig.cli.reckoning": {
        "ls": "list runs, in folders of any depth or in an object store",
        "account": "say what each unit really endured: hours, energy, cycles, trips, margins, from readback",
        "verdict": "pass, fail or not proven, each reason with its evidence (exit code 0, 10 or 11)",
        "compare": "hold unit against unit or run against run, what matters most first",
        "demonstrate": "say what the hours of many units and runs prove, and what they do not",
        "search": "find excursions, notes, gaps and other events in many runs",
        "upload": "copy the finished files of a run to a folder or an object store; goes on where it stopped",
    },
    "rig.cli.tables": {
        "import": "turn CSV or Parquet files of other loggers into a run",
        "export": "write readings to a CSV, XLSX or Parquet file",
    },
    "rig.cli.setup_commands": {
        "new": "write a rig file to begin with, by asking what is connected",
        "reference": "explain every key of a rig file, or those of one driver",
        "completion": "print what makes a shell complete soakrig's commands and options",
    },
}
"""Module -> command -> summary, in the order shown."""
