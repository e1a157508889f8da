"""The simulated room as a process: ``python -m rig.simulator.server --folder DIR``.

It writes DIR/rig.yaml, serves the instruments on links in DIR/dev and on ports of the loopback, keeps
DIR/truth.json up to date, says ``ready`` once on its standard output, and ends on SIGTERM, when the
pipe on its standard input closes, or when its parent is gone. Lines on that pipe disturb it:
``pull LINE``, ``plug LINE``, ``hang INSTRUMENT SECONDS``, ``garble INSTRUMENT``; ``turn mains 253`` (or
ambient, level) turns a knob by hand, ``switch A1 off`` its switch; ``short A1`` shorts its output stage.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import select
import signal
import stat
import sys
import threading
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from rig.clock import SYSTEM, Clock, apart
from rig.simulator.bus_ports import PollableFlag, PtyPort, TcpPort
from rig.simulator.instruments import Conversation, PendingReply, SimulatedReadings, conversation, wire_s
from rig.simulator.rigtext import rig_text
from rig.simulator.room_plan import RoomBus, RoomPlan, plan
from rig.simulator.scenarios import SCENARIOS, scenario
from rig.simulator.truth import document
from rig.simulator.world import KNOBS_OF_ROOM, World

PACE = 60.0
TICK_S = 0.05
TRUTH_S = 1.0
_FIFO = 32
"""Characters that arrive together, as from a serial adapter's buffer."""


class RoomServer:
    """The serving side: one thread a line, all reading one world."""

    def __init__(self, *, folder: Path, world: World, seed: int, clock: Clock = SYSTEM) -> None:
        self._folder = folder
        self._world = world
        self._seed = seed
        self._clock = clock
        self._utc_minus_boot_ns = apart(clock.utc_ns, clock.boot_ns).offset_ns
        self._dice = random.Random(f"delays {seed}")  # noqa: S311 - repeatable, not secret
        self._hung_until_ns: dict[str, int] = {}
        self._garbled: set[str] = set()
        self.stop = PollableFlag()
        (folder / "dev").mkdir(parents=True, exist_ok=True)
        self.ports: dict[str, PtyPort | TcpPort] = {
            line.name: PtyPort(folder / "dev" / line.name) if line.serial else TcpPort()
            for line in world.plan.lines
        }
        readings = SimulatedReadings(world, seed)
        self._threads = [
            threading.Thread(
                target=self._serve,
                args=(line, conversation(line, world.plan, world, readings)),
                name=line.name,
            )
            for line in world.plan.lines
        ]

    def start(self) -> None:
        """Write the rig file and the first truth, and begin to answer."""
        plan_: RoomPlan = self._world.plan
        numbers = {name: port.number for name, port in self.ports.items() if isinstance(port, TcpPort)}
        text = rig_text(
            plan_,
            folder=self._folder,
            ports=numbers,
            ohms={unit: self._world.ohm(unit) for unit in plan_.units},
            note=f"A simulated room; heat runs {plan_.pace:g} times as fast as the clock.",
        )
        _replace(self._folder / "rig.yaml", text)
        self.write_truth(ended=False)
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Stop serving, write the last truth, take all links away."""
        self.stop.set()
        for thread in self._threads:
            thread.join()
        for port in self.ports.values():
            port.remove()
        with contextlib.suppress(OSError):
            (self._folder / "dev").rmdir()
        self.write_truth(ended=True)
        self.stop.close()

    def tick(self) -> None:
        """Let the room go on to this moment."""
        self._world.advance(self._clock.boot_ns())

    def write_truth(self, *, ended: bool) -> None:
        """Bring truth.json up to date."""
        truth = document(
            self._world,
            seed=self._seed,
            boot_id=self._clock.boot_id(),
            utc_minus_boot_ns=self._utc_minus_boot_ns,
            ended=ended,
        )
        _replace(self._folder / "truth.json", json.dumps(truth, indent=1) + "\n")

    def disturb(self, line: str) -> None:
        """Do what a line on standard input asks for; what makes no sense is ignored."""
        words = line.split()
        if len(words) == 2 and words[0] in {"pull", "plug"} and words[1] in self.ports:
            self.ports[words[1]].wanted = words[0] == "plug"
        elif len(words) == 3 and words[0] == "hang":
            with contextlib.suppress(ValueError):
                self._hung_until_ns[words[1]] = self._clock.boot_ns() + round(float(words[2]) * 1e9)
        elif len(words) == 3 and words[0] == "turn" and words[1] in KNOBS_OF_ROOM:
            with contextlib.suppress(ValueError):
                self._world.turn(words[1], float(words[2]))
        elif len(words) == 2 and words[0] == "garble":
            self._garbled.add(words[1])
        elif len(words) == 3 and words[0] == "switch" and words[2] in {"on", "off"}:
            with contextlib.suppress(KeyError):
                self._world.switch(words[1], on=words[2] == "on")
        elif len(words) == 2 and words[0] == "short":
            with contextlib.suppress(KeyError):
                self._world.short(words[1])
        elif words == ["fail"]:
            self._world.fail()

    def _serve(self, line: RoomBus, talk: Conversation) -> None:
        port = self.ports[line.name]
        if isinstance(port, PtyPort):
            self._serve_pty(line, port, talk)
        else:
            self._serve_tcp(line, port, talk)

    def _serve_pty(self, line: RoomBus, port: PtyPort, talk: Conversation) -> None:
        received = bytearray()
        due_ns = self._clock.monotonic_ns()
        while not self.stop.is_set:
            wait_s = talk.gap_s if received and talk.gap_s else 0.2
            if talk.period_s:
                wait_s = (due_ns - self._clock.monotonic_ns()) / 1e9
            arrived = port.receive(wait_s, self.stop)
            received += arrived
            if arrived and talk.gap_s:
                continue
            while received and (question := talk.take(received)) is not None:
                self._answer(line, question, len(arrived), port.send)
            if talk.period_s and self._clock.monotonic_ns() >= due_ns:
                due_ns += round(talk.period_s * 1e9)
                unasked = talk.unasked()
                if unasked is not None:
                    self._answer(line, unasked, 0, port.send)

    def _serve_tcp(self, line: RoomBus, port: TcpPort, talk: Conversation) -> None:
        buffers: dict[int, bytearray] = {}
        while not self.stop.is_set:
            for connection, arrived in port.receive(0.2, self.stop):
                received = buffers.setdefault(id(connection), bytearray())
                received += arrived
                try:
                    while received and (question := talk.take(received)) is not None:
                        self._answer(line, question, 0, partial(port.send, connection))
                except ValueError:
                    arrived = b""
                if not arrived:
                    buffers.pop(id(connection), None)
                    port.drop(connection)

    def _answer(
        self, line: RoomBus, question: PendingReply, asked: int, send: Callable[[bytes], None]
    ) -> None:
        """Take the time that an instrument and its line take, read, and send."""
        if self.stop.wait(wire_s(line, asked)):
            return
        began_ns = self._clock.boot_ns()
        if question.think_s and self.stop.wait(question.think_s * self._dice.uniform(0.8, 1.2)):
            return
        ended_ns = self._clock.boot_ns()
        reply = question.make(began_ns, ended_ns)
        if self._silent(question.instrument, ended_ns):
            return
        if question.instrument in self._garbled:
            self._garbled.discard(question.instrument)
            reply = bytes(byte ^ 0x55 for byte in reply)
        if not line.serial:
            send(reply)
            return
        for start in range(0, len(reply), _FIFO):
            part = reply[start : start + _FIFO]
            if self.stop.wait(wire_s(line, len(part))):
                return
            send(part)

    def _silent(self, instrument: str, at_ns: int) -> bool:
        return at_ns < self._hung_until_ns.get(instrument, 0) or self._world.hangs(instrument, at_ns)


def _replace(path: Path, text: str) -> None:
    """Write a file so that readers see the old one or the new one, never half."""
    fresh = path.with_name(f".{path.name}.new")
    fresh.write_text(text, encoding="utf-8")
    fresh.replace(path)


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m rig.simulator.server", description="A simulated room.")
    parser.add_argument("--folder", type=Path, required=True, help="where rig.yaml, truth.json and dev/ go")
    parser.add_argument("--scenario", default="fan-failure", choices=sorted(SCENARIOS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--units", type=int, default=6, help="units under test (default: 6)")
    parser.add_argument(
        "--speed", type=float, default=PACE, help=f"how many times faster heat runs (default: {PACE:g})"
    )
    parser.add_argument("--cold", action="store_true", help="units are off and cold at first")
    parser.add_argument("--held", action="store_true", help="what goes wrong waits for 'fail' on stdin")
    parser.add_argument("--poll", type=float, default=0.5, help="seconds between polls in rig.yaml")
    parser.add_argument("--duration", type=float, help="seconds until it ends by itself")
    return parser.parse_args(argv)


def main(argv: Sequence[str] | None = None) -> int:
    """Serve a room until stopped; return 0."""
    asked = _arguments(argv)
    world = World(
        plan=plan(units=asked.units, seed=asked.seed, pace=asked.speed, poll_s=asked.poll),
        scenario=scenario(asked.scenario),
        seed=asked.seed,
        start_ns=SYSTEM.boot_ns(),
        cold=asked.cold,
        held=asked.held,
    )
    room = RoomServer(folder=asked.folder.resolve(), world=world, seed=asked.seed)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: room.stop.set())
    try:
        room.start()
        with contextlib.suppress(OSError):
            sys.stdout.write("ready\n")
            sys.stdout.flush()
        _run(room, asked.duration)
    finally:
        room.close()
    return 0


def _run(room: RoomServer, duration_s: float | None) -> None:
    """Keep the room going until it is told to stop, its time is over or its starter is gone."""
    parent = os.getppid()
    began_ns = written_ns = SYSTEM.monotonic_ns()
    commands = bytearray()
    listening = _is_pipe(0)
    while True:
        watched = [room.stop.fileno(), *([0] if listening else [])]
        ready = select.select(watched, [], [], TICK_S)[0]
        if room.stop.fileno() in ready or os.getppid() != parent:
            return
        if 0 in ready:
            said = os.read(0, 4096)
            if not said:
                return
            commands += said
            while (end := commands.find(b"\n")) >= 0:
                room.disturb(bytes(commands[:end]).decode("ascii", errors="replace"))
                del commands[: end + 1]
        room.tick()
        now_ns = SYSTEM.monotonic_ns()
        if now_ns - written_ns >= TRUTH_S * 1e9:
            written_ns = now_ns
            room.write_truth(ended=False)
        if duration_s is not None and now_ns - began_ns >= duration_s * 1e9:
            return


def _is_pipe(descriptor: int) -> bool:
    """Return whether a descriptor is a pipe or a socket: something whose end means that a starter is gone."""
    try:
        mode = os.fstat(descriptor).st_mode
    except OSError:
        return False
    return stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode)


if __name__ == "__main__":
    sys.exit(main())
