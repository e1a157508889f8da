"""Which modules are changed and which test files are to notice: the one place that knows where things are."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent

WARM = (
    "duckdb",
    "hypothesis.strategies",
    "numpy",
    "pandas",
    "pyarrow.compute",
    "pyarrow.parquet",
    "scipy.stats",
    "yaml",
)
"""Foreign libraries that are loaded once, before any mutant."""

FORENSICS = "rig/forensics"
STORE = "rig/store"
TESTS = {"limits": "tests/core", "forensics": "tests/forensics", "store": "tests/store"}

LIMITS = {"limits": ("rig/domain/limits.py", ("test_limits.py",))}
EVENTUAL = ("test_roles.py", "test_postmortem.py")
"""What goes through all of the post-mortem."""
NOTICED_BY: dict[str, tuple[str, ...]] = {
    "aftermath": ("test_aftermath.py", *EVENTUAL),
    "answer": ("test_order.py", "test_record.py", *EVENTUAL),
    "changes": ("test_changes.py", "test_onset.py"),
    "crossings": ("test_crossings.py", "test_doubt.py"),
    "doubt": ("test_doubt.py", "test_crossings.py"),
    "episodes": ("test_episodes.py",),
    "evidence": ("test_scene.py", "test_crossings.py", *EVENTUAL),
    "grids": ("test_scene.py", "test_onset.py", "test_pieces.py"),
    "health": ("test_health.py", "test_roles.py"),
    "inforce": ("test_inforce.py", *EVENTUAL),
    "local": ("test_local.py", "test_doubt.py", "test_crossings.py"),
    "neighbours": ("test_neighbours.py", *EVENTUAL),
    "noise": ("test_noise.py",),
    "onset": ("test_onset.py",),
    "order": ("test_order.py",),
    "postmortem": ("test_postmortem.py", "test_roles.py", "test_pieces.py"),
    "record": ("test_record.py",),
    "roles": ("test_roles.py", *EVENTUAL),
    "scene": ("test_scene.py", *EVENTUAL),
    "stimulus": ("test_stimulus.py", *EVENTUAL),
    "track": ("test_pieces.py", "test_crossings.py", *EVENTUAL),
    "trend": ("test_trend.py", "test_crossings.py"),
    "walk": ("test_walk.py", "test_pieces.py"),
    "words": ("test_postmortem.py", "test_roles.py"),
}
READ_BACK = ("test_rundir.py", "test_seal.py", "test_parquet.py")
"""What writes a run and reads it again."""
STORED: dict[str, tuple[str, ...]] = {
    "catalogue": READ_BACK,
    "columns": ("test_columns.py", "test_parquet.py", "test_seal.py"),
    "files": ("test_rundir.py", "test_storage_faults.py", *READ_BACK),
    "frames": ("test_frames.py", "test_format.py", "test_journal.py"),
    "inbox": ("test_inbox.py",),
    "index": ("test_index.py", "test_parquet.py", "test_seal.py"),
    "journal": ("test_frames.py", "test_journal.py", "test_tail.py"),
    "kept": ("test_kept.py",),
    "notes": ("test_rundir.py", "test_seal.py"),
    "pair": READ_BACK,
    "parquet": ("test_parquet.py", "test_seal.py"),
    "pieces": ("test_summary.py",),
    "reader": ("test_rundir.py", "test_summary.py", "test_seal.py", "test_parquet.py"),
    "recover": ("test_recover.py", "test_rundir.py", "test_storage_faults.py"),
    "rundir": ("test_rundir.py", "test_recover.py"),
    "seal": ("test_seal.py",),
    "segments": ("test_seal.py", "test_parquet.py", "test_recover.py"),
    "stamps": ("test_columns.py",),
    "standing": ("test_rundir.py", "test_summary.py"),
    "summary": ("test_summary.py",),
    "tail": ("test_tail.py",),
    "verify": ("test_verify.py", "test_seal.py"),
    "writer": ("test_writer.py", "test_storage_faults.py", "test_rundir.py"),
}
NOT_FOR_MUTANTS = (
    "test_a_lost_index_is_replaced_by_the_copy",
    "test_a_readings_folder_opens_with",
    "test_after_a_power_cut",
    "test_any_flipped_bit_in",
    "test_deleting_the_lock_file",
    "test_readings_come_back_bit_for_bit",
    "test_the_lock_is_refused_by",
    "test_the_readings_folder_opens_with",
    "test_the_recording_process_loads_neither",
)
"""Tests too slow to be run some hundred times, or whose subject is a process of its own."""


@dataclass(frozen=True)
class Target:
    """One module to change, and the test files that are to notice."""

    name: str
    path: Path
    tests: tuple[Path, ...]

    @property
    def module(self) -> str:
        """Return the name the module is imported by."""
        return ".".join(self.path.relative_to(ROOT).with_suffix("").parts)

    @property
    def source(self) -> str:
        """Return the text of the module."""
        return self.path.read_text("utf-8")


def targets() -> list[Target]:
    """Return all modules of the table that are there, each with those of its test files that are there."""
    rows = {f"forensics.{name}": (f"{FORENSICS}/{name}.py", files) for name, files in NOTICED_BY.items()}
    rows |= {f"store.{name}": (f"{STORE}/{name}.py", files) for name, files in STORED.items()}
    found = []
    for name, (path, files) in {**LIMITS, **rows}.items():
        folder = ROOT / TESTS[name.split(".")[0]]
        tests = dict.fromkeys(folder / one for one in files if (folder / one).exists())
        found.append(Target(name, ROOT / path, tuple(tests)))
    return found
