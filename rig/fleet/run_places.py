"""Where runs are: folders of any depth, and object stores; found, and opened by their address alone.

An address is a path or ``s3://BUCKET/KEY``. It is all that a worker of a cluster gets: what it opens
there must be the same as here, so local paths only work where every worker has the same disk.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from pathlib import Path

from rig.errors import UsageError
from rig.fleet import object_store
from rig.store import incident_files, rundir
from rig.store.files import Disk
from rig.store.reader import RunReader

DEEPEST = 8
"""How many folders below the one that was named runs are looked for."""


def find(places: Sequence[str]) -> list[str]:
    """Return the addresses of all runs at or below ``places``, sorted, each once.

    Raises UsageError for a place that does not exist or holds no run, StoreError if a store refuses.
    """
    found: dict[str, None] = {}
    for place in places:
        here = list(_in_store(place) if object_store.is_address(place) else _in_folder(Path(place)))
        if not here:
            raise UsageError(f"no runs in {place}; name a run, or a folder that holds runs at any depth")
        found.update(dict.fromkeys(here))
    return sorted(found)


def open_run(address: str) -> RunReader:
    """Return the run at an address. Raises FormatError or DamageError if it is none that can be read."""
    if not object_store.is_address(address):
        return RunReader.open(Path(address))
    key = object_store.parsed(address)
    disk: Disk = object_store.ObjectDisk(object_store.connect(), key)
    return RunReader.open(object_store.place_of(key), disk)


def single(place: str) -> str:
    """Return the address of the run that a place means: itself, or the newest in the folder.

    Raises FormatError or UsageError if there is none.
    """
    if not object_store.is_address(place):
        return str(rundir.newest_run(Path(place)))
    return max(find([place]), key=lambda one: (open_run(one).dir.created_ns, one))


def _in_store(address: str) -> Iterator[str]:
    bucket = object_store.connect()
    for key in object_store.runs_below(bucket, object_store.parsed(address), rundir.MANIFEST):
        yield f"{object_store.SCHEME}://{key}"


def _in_folder(folder: Path) -> Iterator[str]:
    if not folder.is_dir():
        raise UsageError(f"{folder} is not a folder; name a run, or a folder that holds runs")
    top = folder.resolve()
    for here, names, files in os.walk(top):
        if rundir.MANIFEST in files:
            yield here
            names.clear()
        elif len(Path(here).relative_to(top).parts) >= DEEPEST:
            names.clear()
        else:
            names[:] = sorted(one for one in names if not one.startswith("."))


def size_of(run: RunReader) -> int:
    """Return how many bytes the files of a run hold; what vanishes meanwhile counts nothing."""
    disk, total = run.disk, 0
    for folder in (run.path, *(run.dir.folder(name) for name in rundir.FOLDERS)):
        names = [name for name in disk.names(folder) if name not in rundir.FOLDERS]
        total += sum(_size(disk, folder / name) for name in names)
    return total + sum(_size(disk, run.path / name) for name in incident_files.names(run.dir, disk))


def _size(disk: Disk, path: Path) -> int:
    try:
        return disk.size(path)
    except OSError:
        return 0
