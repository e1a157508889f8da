"""What has been uploaded of a run, to where: kept in the run directory, so that an upload goes on.

``uploads.json`` names for each place every file that was put there and read back, with its length and
CRC-32. It is written anew, whole, after each file; what it lacks is uploaded again, which does no harm.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from rig.domain.jsonmap import made, plain
from rig.errors import DamageError, FormatError, shown
from rig.store.files import OS_DISK, publish

FORMAT = 1
NAME = "uploads.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProvedCopy:
    """What a file was when it was put and read back. put_ns: UTC, for people."""

    size: int
    crc32: int
    put_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """A proof as it stands in the file: the checksum as people compare it, in hex digits."""

    size: int
    crc32: str
    put_ns: int


@dataclass(slots=True)
class UploadState:
    """The uploads of one run, by address and file name."""

    path: Path
    places: dict[str, dict[str, ProvedCopy]] = field(default_factory=dict)

    @staticmethod
    def read(run: Path) -> UploadState:
        """Return the upload state of a run, empty if it has none. Raises DamageError or FormatError."""
        path = run / NAME
        try:
            raw = OS_DISK.read(path)
        except FileNotFoundError:
            return UploadState(path)
        except OSError as error:
            raise DamageError(f"{path} could not be read: {error.strerror or error}") from error
        try:
            content = json.loads(raw)
            if content["format"] > FORMAT:
                raise FormatError(
                    f"{path} has format {content['format']}, this soakrig knows {FORMAT}; install the "
                    "newer soakrig that wrote it"
                )
            kept = made(dict[str, dict[str, _Kept]], content["places"])
            places = {
                where: {
                    name: ProvedCopy(size=one.size, crc32=int(one.crc32, 16), put_ns=one.put_ns)
                    for name, one in files.items()
                }
                for where, files in kept.items()
            }
        except (ValueError, KeyError, TypeError) as error:
            raise DamageError(
                f"{path} is damaged ({error!r}): {shown(raw)}; remove it, and everything is uploaded again"
            ) from None
        return UploadState(path, places)

    def of(self, address: str) -> Mapping[str, ProvedCopy]:
        """Return what was put at an address, by file name."""
        return self.places.get(address, {})

    def note(self, address: str, name: str, proof: ProvedCopy | None) -> None:
        """Keep that a file is there (None: is there no more), durably. Raises StoreError."""
        files = self.places.setdefault(address, {})
        if proof is None:
            files.pop(name, None)
        else:
            files[name] = proof
        content = {
            "soakrig": "uploads", "format": FORMAT,
            "places": {
                where: {
                    one: plain(_Kept(size=p.size, crc32=f"{p.crc32:08x}", put_ns=p.put_ns))
                    for one, p in sorted(kept.items())
                }
                for where, kept in sorted(self.places.items())
            },
        }  # fmt: skip
        publish(OS_DISK, self.path, json.dumps(content, indent=1).encode() + b"\n")
