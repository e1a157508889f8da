"""Servers that other people wrote, for the tests: an S3 server and a Dask cluster, in their own processes."""

from __future__ import annotations

import contextlib
import importlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow.fs

READY_S = 60.0
ROOT = Path(__file__).parents[2]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def _wait_for(port: int, process: subprocess.Popen[bytes]) -> None:
    give_up = time.monotonic() + READY_S
    while time.monotonic() < give_up:
        if process.poll() is not None:
            raise AssertionError(f"{process.args!r} ended with {process.returncode}")
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
            return
        time.sleep(0.05)
    raise AssertionError(f"nothing listens on port {port}")


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(10)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@dataclass(frozen=True, slots=True, kw_only=True)
class Store:
    """A local S3 server; ``environment`` is what whoever uses it needs."""

    port: int
    environment: Mapping[str, str]

    def system(self) -> pyarrow.fs.S3FileSystem:
        return pyarrow.fs.S3FileSystem(
            endpoint_override=f"127.0.0.1:{self.port}", scheme="http", access_key="test", secret_key="test",
            region="us-east-1", allow_bucket_creation=True,
        )  # fmt: skip


@contextlib.contextmanager
def store(*buckets: str, port: int | None = None) -> Iterator[Store]:
    """Serve S3 with empty buckets."""
    port = port or free_port()
    clean = {name: value for name, value in os.environ.items() if not name.startswith(("AWS_", "PYTHONWARN"))}
    process = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=clean,
    )  # fmt: skip
    try:
        _wait_for(port, process)
        environment = {
            "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}", "AWS_ACCESS_KEY_ID": "test",
            "AWS_SECRET_ACCESS_KEY": "test", "AWS_REGION": "us-east-1",
        }  # fmt: skip
        served = Store(port=port, environment=environment)
        for bucket in buckets:
            served.system().create_dir(bucket)
        yield served
    finally:
        _end(process)


@dataclass(slots=True)
class Cluster:
    """A Dask scheduler with workers, each a process of its own."""

    address: str
    workers: list[subprocess.Popen[bytes]]

    def kill_one(self) -> None:
        """End a worker without any warning."""
        victim = self.workers.pop()
        victim.send_signal(signal.SIGKILL)
        victim.wait()


@contextlib.contextmanager
def cluster(workers: int, folder: Path, environment: Mapping[str, str] | None = None) -> Iterator[Cluster]:
    """Run a Dask cluster; its workers see ``environment`` beside this process's."""
    port = free_port()
    whole = {**os.environ, **(environment or {}), "PYTHONPATH": str(ROOT)}
    whole.pop("PYTHONWARNINGS", None)
    address = f"tcp://127.0.0.1:{port}"
    base = [sys.executable, "-m", "dask"]
    started = []
    with (folder / "cluster.log").open("wb") as log:

        def start(*command: str) -> subprocess.Popen[bytes]:
            process = subprocess.Popen([*base, *command], stdout=log, stderr=log, env=whole, cwd=folder)
            started.append(process)
            return process

        try:
            head = start("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
            _wait_for(port, head)
            found = [
                start(
                    "worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny", "--name", f"w{n}",
                    "--local-directory", str(folder),
                )
                for n in range(workers)
            ]  # fmt: skip
            _wait_for_workers(address, workers)
            yield Cluster(address=address, workers=found)
        finally:
            for process in reversed(started):
                _end(process)


def _wait_for_workers(address: str, workers: int) -> None:
    if not workers:
        return
    distributed: Any = importlib.import_module("distributed")
    with distributed.Client(address, timeout=READY_S, set_as_default=False) as client:
        client.wait_for_workers(workers, timeout=READY_S)
