"""Inbox of a run: a folder in which orders wait for the process that holds the run.

An order is one small JSON file, given its name only when it is whole. That process records what
was asked, and removes the file once that is durable; so an order survives a crash, and its id in the
recorded event tells that it has been carried out already. A refused order leaves ``NAME.refused`` with
the reason, for the command that waits, and is gone itself.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

from rig.domain import orders
from rig.domain.orders import Order
from rig.errors import StoreError
from rig.store.files import OS_DISK, Disk, discard, publish
from rig.store.rundir import RunDir

FOLDER = "inbox"
SUFFIX = ".json"
REFUSED = ".refused"
LARGEST_BYTES = 65_536
MOST_AT_ONCE = 100
_NAME = re.compile(r"[A-Za-z0-9-]{8,80}\.json")


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One file in the inbox: the order it holds, or why it holds none."""

    name: str
    order: Order | None
    fault: str = ""


def put(run: RunDir, order: Order, disk: Disk = OS_DISK) -> str:
    """Leave an order in the inbox; return the name of its file. Raises StoreError."""
    try:
        disk.make_dir(run.folder(FOLDER))
        disk.sync_dir(run.path)
    except OSError as error:
        raise StoreError(
            f"could not make {run.folder(FOLDER)}: {error.strerror or error}; "
            "orders need write access to the run"
        ) from error
    data = json.dumps(orders.to_json(order), indent=1, ensure_ascii=False).encode() + b"\n"
    if len(data) > LARGEST_BYTES:
        raise StoreError(
            f"the order has {len(data)} bytes; at most {LARGEST_BYTES} are accepted; shorten the text"
        )
    name = f"{order.id}{SUFFIX}"
    publish(disk, run.folder(FOLDER) / name, data)
    return name


def waiting(run: RunDir, disk: Disk = OS_DISK) -> list[str]:
    """Return the names of the orders that wait, oldest name first. Raises OSError."""
    names = [name for name in disk.names(run.folder(FOLDER)) if _NAME.fullmatch(name)]
    return names[:MOST_AT_ONCE]


def read(run: RunDir, name: str, disk: Disk = OS_DISK) -> Slip:
    """Return what a file in the inbox holds; never raises for its content. Raises OSError."""
    path = run.folder(FOLDER) / name
    size = disk.size(path)
    if not 0 < size <= LARGEST_BYTES:  # a pipe or a device has no size, and would never end
        return Slip(name=name, order=None, fault=f"{size} bytes; 1 to {LARGEST_BYTES} are accepted")
    try:
        order = orders.from_json(json.loads(disk.read(path, 0, LARGEST_BYTES)))
    except (ValueError, RecursionError) as error:
        return Slip(name=name, order=None, fault=str(error))
    if f"{order.id}{SUFFIX}" != name:
        return Slip(name=name, order=None, fault=f"id {order.id} differs from the file name {name}")
    return Slip(name=name, order=order)


def done(run: RunDir, name: str, disk: Disk = OS_DISK) -> None:
    """Remove an order that has been carried out and recorded; a failure is left to the next time."""
    discard(disk, run.folder(FOLDER) / name)


def refuse(run: RunDir, name: str, reason: str, disk: Disk = OS_DISK) -> None:
    """Take an order away and leave the reason. Raises StoreError."""
    publish(disk, run.folder(FOLDER) / f"{name}{REFUSED}", reason.encode("utf-8", "replace") + b"\n")
    discard(disk, run.folder(FOLDER) / name)


def answer(run: RunDir, name: str, disk: Disk = OS_DISK) -> str | None:
    """Return '' if the order has been carried out, the reason if it was refused, None while it waits."""
    refusal = run.folder(FOLDER) / f"{name}{REFUSED}"
    if name in disk.names(run.folder(FOLDER)):
        return None
    try:
        reason = disk.read(refusal).decode("utf-8", "replace").strip()
    except FileNotFoundError:
        return ""
    discard(disk, refusal)
    return reason or "refused"
