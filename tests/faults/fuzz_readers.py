"""What is fuzzed: for each reader how damaged inputs are made, and what must hold of what it gives."""

from __future__ import annotations

import importlib
import math
import random
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np

import drivers
from drivers import Exchange
from rig.clock import SYSTEM
from rig.domain.layout_json import layout_from_json
from rig.domain.model import EventKind, Scan, Status
from rig.errors import InstrumentError, ReplyError, SoakrigError
from rig.interchange import importing
from rig.rigfile import config, yaml_reader
from rig.store import rundir
from rig.store.columns import content
from rig.store.files import OsDisk
from rig.store.journal import JournalReader, ends_closed
from rig.store.writer import RunWriter
from tests.drivers.examples import made
from tests.faults import mutations

HERE = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
CONFIGS = Path(__file__).resolve().parents[2] / "configs"


class Reader(Protocol):
    """Makes inputs and reads them.

    ``read`` returns whether the input was taken; it raises if a rule is broken.
    """

    def make(self, dice: random.Random) -> object: ...

    def read(self, given: Any) -> bool: ...

    def close(self) -> None: ...


def _refused(error: SoakrigError, sound: bool = True) -> bool:
    """Return False; a refusal must say why."""
    assert str(error)
    assert sound
    return False


class Replies:
    """Replies of instruments to every exchange of every driver's examples."""

    def __init__(self) -> None:
        self._exchanges: list[tuple[Exchange, bytes]] = []
        for name in drivers.available():
            for example in importlib.import_module(f"tests.drivers.examples_{name}").EXAMPLES:
                exchange = example.pick(made(name, example.options))
                self._exchanges.append((exchange, example.reply(exchange.request())))

    def make(self, dice: random.Random) -> tuple[int, bytes]:
        at = dice.randrange(len(self._exchanges))
        other = self._exchanges[dice.randrange(len(self._exchanges))][1]
        return at, mutations.of_bytes(dice, self._exchanges[at][1], other)

    def read(self, given: tuple[int, bytes]) -> bool:
        exchange, received = self._exchanges[given[0]][0], given[1]
        try:
            reply = exchange.parse(received)
        except ReplyError as error:
            return _refused(error, 0 <= error.used <= len(received))
        except InstrumentError:
            return False
        if reply is None:
            return False
        assert 0 < reply.used <= len(received)
        assert len(reply.values) == len(reply.statuses) == len(exchange.fields)
        for value, status in zip(reply.values, reply.statuses, strict=True):
            assert isinstance(status, Status)
            assert status.has_number == math.isfinite(value)
        return True

    def close(self) -> None:
        """Nothing is held."""


class RigFiles:
    """Rig files: the examples, whole and in pieces, with lines, words and characters put out of order."""

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="fuzz-", dir=HERE))
        self._file = self._folder / "rig.yaml"
        whole = [path.read_text("utf-8") for path in sorted(CONFIGS.glob("*.yaml"))]
        self._large = whole
        self._small = [text for text in whole if len(text) < 1500] + [SMALL]

    def make(self, dice: random.Random) -> bytes:
        text = dice.choice(self._large if dice.random() < 0.01 else self._small)
        return mutations.of_text(dice, text)

    def read(self, given: bytes) -> bool:
        self._file.write_bytes(given)
        try:
            found = yaml_reader.read(self._file, drivers.spec)
        except SoakrigError as error:
            return _refused(error)
        assert layout_from_json(config.to_json(found.layout)) == found.layout
        return True

    def close(self) -> None:
        shutil.rmtree(self._folder)


class _MemoryDisk(OsDisk):
    """One file in memory."""

    data = b""

    def read(self, path: Path, offset: int = 0, size: int = -1) -> bytes:
        del path
        return self.data[offset:] if size < 0 else self.data[offset : offset + size]

    def size(self, path: Path) -> int:
        del path
        return len(self.data)


class Journals:
    """Bytes of journals; whatever is done to them, no record may come out that was not written."""

    def __init__(self) -> None:
        self._disk = _MemoryDisk()
        self._written: dict[tuple[int, int], tuple[float, ...]] = {}
        folder = Path(tempfile.mkdtemp(prefix="fuzz-", dir=HERE))
        run = rundir.create(folder, rig="fuzz", created_ns=SYSTEM.utc_ns(), software="0", name="fuzz")
        self._files: list[bytes] = []
        for session in (1, 2, 3):
            self._record(run, session)
        self._files = [path.read_bytes() for path in sorted(run.folder("journal").glob("j*.journal"))]
        shutil.rmtree(folder)

    def _record(self, run: rundir.RunDir, session: int) -> None:
        writer = RunWriter(
            run, session=session, boot_id="b", boot_ns=1000, utc_ns=10**18, synchronised=True,
            blocks=[("a", "b"), ("c",)], software="0", host="h", journal_bytes=2500,
        )  # fmt: skip
        for k in range(40):
            block = k % 2
            values = (session * 1000.0 + k, -1.0 - k)[: 2 - block]
            writer.scan(Scan(
                block=block, sent_ns=1000 + k * 10**9, received_ns=1000 + k * 10**9 + 5_000_000,
                values=values, statuses=bytes(len(values)),
            ))  # fmt: skip
            if k % 7 == 0:
                writer.event(EventKind.NOTE, 1000 + k * 10**9, "run", f"note {k}", {"k": k})
            if k % 5 == 0:
                writer.sync()
        if session < 3:
            writer.close()
        else:
            writer.sync()

    def make(self, dice: random.Random) -> tuple[bytes, int | None, int]:
        data, other = dice.choice(self._files), dice.choice(self._files)
        successor = dice.choice([None, None, dice.randrange(60)])
        return mutations.of_bytes(dice, data, other), successor, dice.randrange(len(data))

    def read(self, given: tuple[bytes, int | None, int]) -> bool:
        whole, successor, at = given
        path = Path("j000001.journal")
        self._disk.data = whole[:at] if at > 600 else whole
        try:
            reader = JournalReader(path, self._disk)
        except SoakrigError:
            return False
        reader.advance()
        self._disk.data = whole
        reader.advance()
        ends_closed(self._disk, path, reader.head)
        notes = reader.faults(successor)
        assert all(note["size"] >= 0 and note["offset"] >= 0 for note in notes)
        found = content(reader, successor)
        for block in found.blocks:
            first = block.value[:, 0]
            assert bool((np.diff(block.seq) > 0).all())
            for value in first.tolist():
                session, k = divmod(int(value), 1000)
                assert session == reader.head.session, f"{value} was written in session {session}"
                assert 0 <= k < 40
                assert ("a" if k % 2 == 0 else "c") == block.channels[0]
        assert all(
            event.kind is EventKind.NOTE and event.text == f"note {event.data['k']}" for event in found.events
        )
        return True

    def close(self) -> None:
        """Nothing is held."""


class Tables:
    """Tables of other programs, as text; the form of their stamps is found out, or told."""

    def __init__(self) -> None:
        source = importlib.import_module("tests.interchange.test_fuzz")
        tables = importlib.import_module("tests.interchange.tables")
        self._meanings = [tables.meaning(tables.LIMITS + more) for more in ("", *TIMES)]
        self._tables: Sequence[bytes] = [source.GOOD, source.LONG]
        self._folder = Path(tempfile.mkdtemp(prefix="fuzz-", dir=HERE))
        self._file = self._folder / "week.csv"

    def make(self, dice: random.Random) -> tuple[int, bytes]:
        which = dice.choices(range(len(self._meanings)), (1, 6, 3))[0]
        return which, mutations.of_table(dice, dice.choice(self._tables))

    def read(self, given: tuple[int, bytes]) -> bool:
        which, table = given
        self._file.write_bytes(table)
        try:
            (source,) = importing.read([self._file], self._meanings[which])
        except SoakrigError as error:
            return _refused(error)
        for track in source.tracks:
            assert track.value.shape == track.status.shape == (len(track), len(track.channels))
            assert bool((np.isfinite(track.value) == (track.status <= 1)).all())
            assert bool((track.h_ns >= 0).all())
        return True

    def close(self) -> None:
        shutil.rmtree(self._folder)


TIMES = (
    "time: {column: time, format: iso}\n",
    "time: {column: time, format: '%Y-%m-%dT%H:%M:%SZ', zone: UTC}\n",
)
READERS: Mapping[str, Callable[[], Reader]] = {
    "replies": Replies,
    "rig-files": RigFiles,
    "journals": Journals,
    "tables": Tables,
}

SMALL = """\
rig: one
runs: runs
planned: 2 d
shared: {amps: &amps {unit: A, limits: none}}
buses:
  a: {serial: /dev/serial/by-id/x, baud: 9600}
  b: {tcp: "10.0.0.1:5025"}
instruments:
  m: {bus: a, driver: modbus, device: 3, poll: 1 s, fields: {v: {register: 0, type: float32, order: ABCD}}}
  s: {bus: b, driver: scpi, poll: 1 s, identity: ".*", terminator: LF, reads: [{ask: "R?", fields: [x, y]}]}
templates:
  amp:
    channels:
      t: {from: "s.{f}", unit: degC, high: 95 degC, deadband: 2 K, on-delay: 5 s, trip: yes}
      p: {formula: "{unit}.t * 2 / 8", unit: W, limits: none}
units:
  A1: {serial: "1", load: 8 ohm, template: amp, with: {f: x}}
channels:
  v: {from: m.v, unit: V, low: 207 V, high: 253 V, deadband: 1 V}
  i: {<<: *amps, from: s.y}
"""
