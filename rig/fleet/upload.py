"""A run's finished files to another place, each proved there before it counts; goes on where it stopped.

What goes: sealed readings and events with their indexes, rig files, sessions, files attached to incidents,
what was set aside as damaged. A journal that is still being written, or not yet sealed, stays: it goes as
part of a sealed pair. A pair's index goes after the pair and the manifest goes last, so that what can be
found there can be read.
What sealing has merged into a larger pair is removed there once the larger pair is proved. Nothing else is
ever removed, and nothing here changes the recording.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from zlib import crc32

from rig.clock import SYSTEM
from rig.domain.formatting import duration
from rig.errors import FormatError, StoreError
from rig.fleet.copy_targets import PIECE, CopyTarget, target
from rig.fleet.upload_state import NAME, ProvedCopy, UploadState
from rig.store import catalogue, incident_files, rundir
from rig.store.catalogue import PARQUET
from rig.store.files import OS_DISK, checksum
from rig.store.files import there as is_file
from rig.store.rundir import Lock, RunDir

LOCK = "upload.lock"
PATIENCE = 5
"""How often to look again when a pair was merged away while it was on its way."""
_WHOLE = ("config", "sessions", "damaged")
_OWN = frozenset({rundir.MANIFEST, NAME})

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class UploadRound:
    """What one round did. put, kept, removed: names of files; size: bytes put; waiting: journals to seal."""

    address: str
    put: tuple[str, ...]
    kept: int
    removed: tuple[str, ...]
    size: int
    waiting: int

    @property
    def complete(self) -> bool:
        """Whether nothing of the run is missing there, as the run is now."""
        return not self.waiting


def upload(path: Path, place: str, say: Say = lambda _: None) -> UploadRound:
    """Bring everything of a run that is finished to ``place``; return what was done.

    place: a folder or ``s3://BUCKET/KEY``; the run gets a folder of its own name there. Raises StoreError
    when the place refuses (what is proved by then counts), RunInUseError when another upload of this run
    is under way, UsageError for a place that is none.
    """
    run = rundir.open_run(path)
    there = target(place, run.name)
    with Lock(path / LOCK).acquire("uploading"):
        _same_run(run, there)
        state = UploadState.read(path)
        return _round(run, there, state, say)


def follow(path: Path, place: str, every_s: float, say: Say) -> UploadRound:
    """Upload again and again until the run is over and all of it is there; return the last round.

    A place that refuses is tried again in the next round. Raises what ``upload`` raises in the first.
    """
    over = rundir.has_ended(rundir.open_run(path))
    done = upload(path, place, say)
    while not (over and done.complete):
        time.sleep(every_s)
        # looked at before the round: a run that ends during it needs one round more
        ended = rundir.has_ended(rundir.open_run(path))
        try:
            done = upload(path, place, say)
        except StoreError as error:
            say(f"upload failed: {error}; next attempt in {duration(every_s)}")
        else:
            over = ended
    return done


def _same_run(run: RunDir, there: CopyTarget) -> None:
    """Raise StoreError if another run has this name there."""
    if rundir.MANIFEST not in there.sizes():
        return
    try:
        found = json.loads(b"".join(there.read(rundir.MANIFEST)))["id"]
    except (ValueError, KeyError, TypeError) as error:
        raise FormatError(f"{there.address} holds something other than a run ({error!r})") from error
    if found != run.id:
        raise StoreError(
            f"{there.address} holds another run of the same name ({found}, this one is {run.id}); upload to "
            "a place of its own"
        )


def _round(run: RunDir, there: CopyTarget, state: UploadState, say: Say) -> UploadRound:
    listed = there.sizes()
    put: list[str] = []
    size = 0
    for attempt in range(PATIENCE):
        names, waiting = wanted(run)
        try:
            for name in names:
                if _is_there(run.path / name, name, state.of(there.address), listed):
                    continue
                proof = _put(run.path / name, name, there)
                state.note(there.address, name, proof)
                listed[name] = proof.size
                put.append(name)
                size += proof.size
                say(f"{name}: {proof.size} bytes")
            break
        except _GoneError as error:
            if attempt + 1 == PATIENCE:
                raise StoreError(f"{error} vanished again and again while it was to be uploaded") from None
    removed = _remove_merged(there, state, set(names), say)
    kept = len(set(names)) - len(set(put) & set(names))
    return UploadRound(
        address=there.address, put=tuple(put), kept=kept, removed=tuple(removed), size=size, waiting=waiting
    )


def wanted(run: RunDir) -> tuple[list[str], int]:
    """Return the names of the files to upload, in order, and how many journals are not sealed yet."""
    found = catalogue.look(run.path, OS_DISK)
    pairs = [one.paths(run.path) for one in found.sealed if one not in found.orphans]
    files = [path for paths in pairs for path in paths[1:] if is_file(OS_DISK, path)]
    names = [path.relative_to(run.path).as_posix() for path in (*files, *(paths[0] for paths in pairs))]
    for folder in _WHOLE:
        names += [f"{folder}/{name}" for name in OS_DISK.names(run.folder(folder)) if name[0] != "."]
    names += incident_files.names(run)
    top = [name for name in OS_DISK.names(run.path) if name.endswith(".json") and name[0] != "."]
    names += [name for name in top if name not in _OWN]
    return [*names, rundir.MANIFEST], len(found.journals)


class _GoneError(Exception):
    """A file was merged away while it was on its way."""


def _is_there(path: Path, name: str, proofs: Mapping[str, ProvedCopy], listed: Mapping[str, int]) -> bool:
    """Return whether a file as it is now was proved to be there, and still is."""
    proof = proofs.get(name)
    try:
        if proof is None or listed.get(name) != proof.size or OS_DISK.size(path) != proof.size:
            return False
        # sealed files never change; the others are small
        return name.endswith(PARQUET) or checksum(OS_DISK, path) == (proof.size, proof.crc32)
    except FileNotFoundError:
        return False


def _put(path: Path, name: str, there: CopyTarget) -> ProvedCopy:
    sent = _Sum()
    there.put(name, sent.through(_pieces(path)))
    back = _Sum()
    for _ in back.through(there.read(name)):
        pass
    if (back.size, back.crc) != (sent.size, sent.crc):
        there.remove(name)
        raise StoreError(
            f"{there.address}/{name}: {sent.size} bytes with CRC {sent.crc:08x} were put, {back.size} with "
            f"{back.crc:08x} came back; it was removed there and will be put again"
        )
    return ProvedCopy(size=sent.size, crc32=sent.crc, put_ns=SYSTEM.utc_ns())


def _pieces(path: Path) -> Iterator[bytes]:
    at = 0
    try:
        while piece := OS_DISK.read(path, at, PIECE):
            at += len(piece)
            yield piece
    except FileNotFoundError:
        raise _GoneError(str(path)) from None
    except OSError as error:
        raise StoreError(f"could not read {path}: {error.strerror or error}") from error


@dataclass(slots=True)
class _Sum:
    """Length and CRC-32 of what passes through."""

    size: int = 0
    crc: int = 0

    def through(self, pieces: Iterator[bytes]) -> Iterator[bytes]:
        """Yield the pieces, adding them up."""
        for piece in pieces:
            self.size += len(piece)
            self.crc = crc32(piece, self.crc)
            yield piece


def _remove_merged(there: CopyTarget, state: UploadState, names: set[str], say: Say) -> list[str]:
    """Remove the pairs that are part of a larger one now, their index first."""
    sealed = {name.partition("/")[2].rpartition(".")[0] for name in names if name.startswith("sealed/")}
    larger = [one for name in sealed if (one := catalogue.parse(name)) is not None]
    gone = []
    for name in sorted(state.of(there.address), key=lambda one: (not one.startswith("sealed/"), one)):
        folder, _, file = name.partition("/")
        pair = catalogue.parse(file.rpartition(".")[0]) if folder not in _WHOLE else None
        if pair is None or pair.name in sealed or not any(one.holds(pair) for one in larger):
            continue
        there.remove(name)
        state.note(there.address, name, None)
        gone.append(name)
        say(f"{name}: removed, a larger file holds it")
    return gone
