"""Which modules are changed and which test files are to notice: the one place that knows where things are."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent

WARM = (
    "duckdb",
    "hypothesis.strategies",
    "msgspec",
    "numpy",
    "pandas",
    "pyarrow.compute",
    "pyarrow.parquet",
    "scipy.stats",
    "yaml",
)
"""Foreign libraries that are loaded once, before any mutant."""

DOMAIN = "rig/domain"
FORENSICS = "rig/forensics"
STORE = "rig/store"

JUDGED_BY: dict[str, tuple[str, ...]] = {
    "limits": ("domain/test_limits.py",),
    "limit_arrays": (
        "domain/test_limit_arrays.py",
        "forensics/test_walk.py",
        "forensics/test_crossings.py",
        "forensics/test_pieces.py",
    ),
}


def _tests_of(package: str) -> tuple[str, ...]:
    """Return the test files of a package of the post-mortem's rules."""
    found = sorted((ROOT / "tests/forensics" / package).glob("test_*.py"))
    return tuple(f"{package}/{one.name}" for one in found)


EVENTUAL = ("test_findings.py", *_tests_of("attribution"), "test_analysis.py")
"""What goes through all of the post-mortem."""
RULES: dict[str, tuple[str, ...]] = {
    "attribution": EVENTUAL,
    "sensor_faults": ("sensor_faults/test_common_step.py", "test_findings.py", *_tests_of("attribution")),
}
"""Packages with one file per rule, which has its own test file, and what is to notice as well."""
NOTICED_BY: dict[str, tuple[str, ...]] = {
    "aftermath": ("test_aftermath.py", *EVENTUAL),
    "analysis": (*EVENTUAL, "test_pieces.py"),
    "analysis_data": ("test_analysis_data.py", *EVENTUAL),
    "answer": ("test_order.py", "test_postmortem_json.py", "test_spikes.py", *EVENTUAL),
    "attribution_rule": EVENTUAL,
    "change_detection": ("test_change_detection.py", "test_onset.py"),
    "channel_readings": ("test_analysis_data.py", "test_crossings.py", *EVENTUAL),
    "crossings": ("test_crossings.py", "test_guaranteed_bracket.py", "test_effective_limits.py"),
    "effective_limits": ("test_effective_limits.py", *EVENTUAL),
    "episodes": ("test_episodes.py",),
    "fault_rule": (*_tests_of("sensor_faults"), "test_findings.py"),
    "fault_search": ("test_fault_search.py", *_tests_of("sensor_faults")),
    "findings": EVENTUAL,
    "grids": ("test_analysis_data.py", "test_onset.py", "test_pieces.py"),
    "guaranteed_bracket": ("test_guaranteed_bracket.py", "test_crossings.py"),
    "inputs": ("test_derived.py",),
    "local": ("test_local.py", "test_guaranteed_bracket.py", "test_crossings.py"),
    "neighbours": ("test_neighbours.py", *EVENTUAL),
    "noise": ("test_noise.py",),
    "onset": ("test_onset.py",),
    "order": ("test_order.py",),
    "postmortem_json": ("test_postmortem_json.py",),
    "rules": ("test_rules.py",),
    "short_answer": ("test_short_answer.py", *EVENTUAL),
    "spikes": ("test_spikes.py",),
    "stimulus": ("test_stimulus.py", *EVENTUAL),
    "track": ("test_pieces.py", "test_crossings.py", "test_derived.py", *EVENTUAL),
    "trend": ("test_trend.py", "test_crossings.py"),
    "unit_stays": ("test_unit_stays.py", "test_neighbours.py"),
    "walk": ("test_walk.py", "test_pieces.py"),
}
STORED: dict[str, tuple[str, ...]] = {
    "catalogue": ("test_catalogue.py",),
    "columns": ("test_columns.py", "test_writer.py"),
    "files": ("test_files.py",),
    "inbox": ("test_inbox.py",),
    "incident_files": ("test_incident_files.py", "test_result_cache.py"),
    "index": ("test_index.py", "test_segments.py"),
    "journal": ("test_journal_frames.py", "test_tail.py", "test_journal.py"),
    "journal_frames": ("test_journal_frames.py", "test_format.py", "test_journal.py"),
    "notes": ("test_notes.py", "test_reader.py"),
    "pair": ("test_pair.py",),
    "pair_summary": ("test_pair_summary.py",),
    "parquet": ("test_parquet.py",),
    "pieces": ("test_pair_summary.py",),
    "reader": ("test_reader.py", "test_pair_summary.py"),
    "reading_stamps": ("test_columns.py",),
    "recover": ("test_recover.py",),
    "result_cache": ("test_result_cache.py",),
    "rundir": ("test_rundir.py",),
    "seal": ("test_seal.py",),
    "segments": ("test_segments.py", "test_seal.py"),
    "session_state": ("test_inbox.py", "test_session_state.py"),
    "tail": ("test_tail.py",),
    "verify": ("test_verify.py",),
    "writer": ("test_writer.py", "test_storage_faults.py"),
}
NOT_FOR_MUTANTS = (
    "test_a_lost_index_is_replaced_by_the_copy",
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
    """Return all modules of the table, each with its test files."""
    found = []
    for area, rows, folder in (
        (DOMAIN, JUDGED_BY, "tests"),
        (FORENSICS, NOTICED_BY, "tests/forensics"),
        (STORE, STORED, "tests/store"),
    ):
        for name, files in rows.items():
            tests = tuple(ROOT / folder / one for one in dict.fromkeys(files))
            found.append(Target(f"{area.split('/')[-1]}.{name}", ROOT / area / f"{name}.py", tests))
    return [*found, *_rules()]


def _rules() -> list[Target]:
    """Return the rules of the post-mortem, found by their files."""
    found = []
    for package, files in RULES.items():
        for path in sorted((ROOT / FORENSICS / package).glob("*.py")):
            if path.name != "__init__.py":
                own = f"{package}/test_{path.name}"
                tests = tuple(ROOT / "tests/forensics" / one for one in dict.fromkeys((own, *files)))
                found.append(Target(f"forensics.{package}.{path.stem}", path, tests))
    return found
