"""An object store as a disk that can only be read, and as a place to put whole files.

A run in an object store is a picture of the moment it was opened: one listing of its names and lengths is
taken then and answers every later look. Objects appear whole or not at all, so nothing torn is ever read.
Keys and secrets come from the environment (``AWS_ACCESS_KEY_ID``, ``AWS_SECRET_ACCESS_KEY``,
``AWS_REGION``, ``AWS_ENDPOINT_URL``) or from the machine's own role, never from an address.
"""

from __future__ import annotations

import errno
import functools
import io
import os
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import urlsplit

from rig.errors import StoreError, UsageError
from rig.store.files import File, Space

SCHEME = "s3"
_ROOT = f"{SCHEME}:"
CONNECT_S = 5.0
WHOLE = 1 << 22
AT_HAND = 1 << 26
REQUEST_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bucket:
    """A connection to one object store. ``system``: the file system of pyarrow that speaks to it."""

    system: Any = field(compare=False)

    def listed(self, key: str) -> dict[str, int]:
        """Return the length of every object under a key, by the rest of its key. Raises StoreError."""
        from pyarrow.fs import FileSelector, FileType

        try:
            found = self.system.get_file_info(FileSelector(key, recursive=True, allow_not_found=True))
        except OSError as error:
            raise StoreError(refused("list", key, error)) from error
        return {
            one.path.removeprefix(key).lstrip("/"): int(one.size)
            for one in found
            if one.type == FileType.File
        }


def is_address(text: str) -> bool:
    """Return whether a text names something in an object store rather than a folder."""
    return text.startswith(f"{SCHEME}://")


def parsed(address: str) -> str:
    """Return bucket and key of an address without a trailing slash. Raises UsageError if it is none."""
    parts = urlsplit(address)
    if parts.username is not None or parts.password is not None or parts.query or parts.fragment:
        raise UsageError(
            f"an address of the form {SCHEME}://BUCKET/KEY holds no name, secret or option; keys come from "
            "the environment (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY, AWS_ENDPOINT_URL)"
        )
    if parts.scheme != SCHEME or not parts.netloc or ".." in PurePosixPath(parts.path).parts:
        raise UsageError(f"{address!r} is not an address of the form {SCHEME}://BUCKET/KEY")
    return "/".join([parts.netloc, *(one for one in parts.path.split("/") if one)])


def connect(attempts: int = 3) -> Bucket:
    """Return a connection made from the environment; nothing is sent yet.

    attempts: how often a request that failed is made again before it counts as failed.
    """
    region = os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION") or ""
    return _connected(os.environ.get("AWS_ENDPOINT_URL", ""), region, attempts)


@functools.lru_cache(maxsize=8)
def _connected(endpoint: str, region: str, attempts: int) -> Bucket:
    from pyarrow.fs import AwsStandardS3RetryStrategy, S3FileSystem

    options: dict[str, Any] = {
        "connect_timeout": CONNECT_S, "request_timeout": REQUEST_S,
        "retry_strategy": AwsStandardS3RetryStrategy(max_attempts=attempts),
    }  # fmt: skip
    if endpoint:
        parts = urlsplit(endpoint)
        if parts.scheme not in {"http", "https"} or not parts.netloc:
            raise UsageError(f"AWS_ENDPOINT_URL is {endpoint!r}; expected http://HOST:PORT or https://HOST")
        options |= {"endpoint_override": parts.netloc, "scheme": parts.scheme}
    if region or endpoint:
        options["region"] = region or "us-east-1"
    return Bucket(system=S3FileSystem(**options))


def refused(verb: str, key: str, error: BaseException) -> str:
    """Return what to say when a store did not do as it was asked."""
    return (
        f"could not {verb} {SCHEME}://{key}: {error}; see whether the address is right, the store is up "
        "(AWS_ENDPOINT_URL) and the keys in the environment may do this"
    )


def place_of(key: str) -> Path:
    """Return a path that stands for a key, in messages too: ``s3:/bucket/key``."""
    return Path(_ROOT) / key


def key_of(path: Path) -> str:
    """Return the key that a path stands for."""
    return path.as_posix().removeprefix(_ROOT).lstrip("/")


@dataclass(slots=True)
class ObjectDisk:
    """A run in an object store, read through the store's own seam; everything that writes is refused.

    root: key of the run. sizes: length of each of its objects by the rest of its key. An object of up to
    ``WHOLE`` bytes is fetched once, as a whole, and kept at hand (``AT_HAND`` bytes in all): every request
    costs more time than such a file does.
    """

    bucket: Bucket
    root: str
    sizes: dict[str, int] = field(init=False)
    _kept: OrderedDict[str, bytes] = field(init=False, default_factory=OrderedDict)

    def __post_init__(self) -> None:
        self.sizes = self.bucket.listed(self.root)

    def open_input(self, path: Path) -> Any:
        """Return a file object that reads ranges of an object. Raises OSError."""
        if self.size(path) <= WHOLE:
            return io.BytesIO(self._whole(path))
        return self.bucket.system.open_input_file(key_of(path))

    def read(self, path: Path, offset: int = 0, size: int = -1) -> bytes:
        """Return bytes of an object. Raises FileNotFoundError, else OSError."""
        whole = self.size(path)
        start = min(offset, whole)
        length = whole - start if size < 0 else min(size, whole - start)
        if not length:
            return b""
        if whole <= WHOLE:
            return self._whole(path)[start : start + length]
        with self.bucket.system.open_input_file(key_of(path)) as file:
            data: bytes = file.read_at(length, start)
        return data

    def _whole(self, path: Path) -> bytes:
        key = key_of(path)
        if key not in self._kept:
            with self.bucket.system.open_input_stream(key) as stream:
                self._kept[key] = stream.read()
            while len(self._kept) > 1 and sum(map(len, self._kept.values())) > AT_HAND:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        return self._kept[key]

    def size(self, path: Path) -> int:
        """Return the length of an object. Raises FileNotFoundError."""
        rest = self._rest(path)
        if rest not in self.sizes:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path))
        return self.sizes[rest]

    def names(self, path: Path) -> list[str]:
        """Return the sorted names right below a key."""
        rest = self._rest(path)
        prefix = f"{rest}/" if rest else ""
        below = (one.removeprefix(prefix) for one in self.sizes if one.startswith(prefix))
        return sorted({one.partition("/")[0] for one in below})

    def _rest(self, path: Path) -> str:
        return key_of(path).removeprefix(self.root).lstrip("/")

    def create(self, path: Path) -> File:
        """Refuse. Raises OSError."""
        raise self._read_only(path)

    def reopen(self, path: Path) -> File:
        """Refuse. Raises OSError."""
        raise self._read_only(path)

    def rename(self, old: Path, new: Path) -> None:
        """Refuse. Raises OSError."""
        raise self._read_only(new)

    def remove(self, path: Path) -> None:
        """Refuse. Raises OSError."""
        raise self._read_only(path)

    def make_dir(self, path: Path) -> None:
        """Refuse. Raises OSError."""
        raise self._read_only(path)

    def sync_dir(self, path: Path) -> None:
        """Refuse. Raises OSError."""
        raise self._read_only(path)

    def space(self, path: Path) -> Space:
        """Refuse. Raises OSError."""
        raise self._read_only(path)

    @staticmethod
    def _read_only(path: Path) -> OSError:
        return OSError(errno.EROFS, "a run in an object store is only read", str(path))


def runs_below(bucket: Bucket, key: str, manifest: str) -> Iterator[str]:
    """Yield the keys of all runs at or below a key: those with a manifest right below them."""
    for rest in sorted(bucket.listed(key)):
        folder, _, name = rest.rpartition("/")
        if name == manifest:
            yield f"{key}/{folder}" if folder else key
