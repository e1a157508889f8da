"""``soakrig import``: from files and a limits file to a run, with everything remarkable said."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from rig.domain.formatting import counted, stamp
from rig.errors import ConfigError, ConfigFault, UsageError
from rig.interchange import column_roles, import_recording
from rig.interchange import limits_file as limits
from rig.interchange.import_recording import Imported
from rig.interchange.limits_file import Meaning
from rig.interchange.table_tracks import SourceFile
from rig.interchange.textfile import open_text

PARQUET = b"PAR1"
Say = Callable[[str], None]


class Openable(Protocol):
    """A file whose form is known, before its rows are read."""

    @property
    def channels(self) -> tuple[str, ...] | None:
        """Channels that have a column; None where the rows name them."""
        ...

    @property
    def offered(self) -> tuple[str, ...]:
        """Names of the columns."""
        ...

    def read(self) -> SourceFile:
        """Return all readings."""
        ...


def import_files(
    files: Sequence[Path], limits_file: Path, *, runs: Path, name: str | None = None,
    say: Say = lambda _text: None,
) -> Imported:  # fmt: skip
    """Return the run made from ``files``, in the given order, under ``runs``.

    say: is given a line of text for everything found out and everything remarkable. Raises ConfigError
    (limits file), UsageError (files) and StoreError.
    """
    meaning = limits.read(limits_file)
    sources = read(files, meaning)
    for source in sources:
        for line in source.notes.sentences():
            say(line)
    made = import_recording.record(sources, meaning, runs, name, say)
    first, last = (stamp(t_ns, decimals=3) for t_ns in made.span_ns)
    say(
        f"{counted(made.readings, 'reading')} in {counted(made.sessions, 'session')}, "
        f"{first} to {last}, now the run {made.path}"
    )
    if made.set_aside:
        aside = made.path / import_recording.FOLDER / import_recording.ASIDE
        say(f"{counted(made.set_aside, 'line')} set aside: {aside}")
    return made


def read(files: Sequence[Path], meaning: Meaning) -> list[SourceFile]:
    """Return what the files hold. Raises ConfigError, UsageError."""
    opened: list[Openable] = []
    faults: list[ConfigFault] = []
    for path in files:
        one, its_faults = _open(path, meaning)
        opened.append(one)
        faults += its_faults
    if faults:
        raise ConfigError(list(dict.fromkeys(faults)))
    offered = [name for one in opened for name in one.offered]
    if all(one.channels is not None for one in opened):
        column_roles.check_found(meaning, [name for one in opened for name in one.channels or ()], offered)
    sources = [one.read() for one in opened]
    found = [name for source in sources for track in source.tracks for name in track.channels]
    missing = column_roles.check_found(meaning, found, offered)
    for name in missing:
        sources[0].notes.say("missing", f"{name}: no column; it is left out (partial: yes)")
    return sources


def _open(path: Path, meaning: Meaning) -> tuple[Openable, list[ConfigFault]]:
    try:
        with path.open("rb") as file:
            start = file.read(4)
    except OSError as error:
        raise UsageError(f"cannot read {path}: {error.strerror or error}; name an existing file") from error
    if start == PARQUET:
        from rig.interchange.parquetfile import open_parquet

        return open_parquet(path, meaning)
    return open_text(path, meaning)
