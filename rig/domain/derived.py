"""Channels computed from other channels, as readings arrive.

A derived channel is computed each time every one of its inputs has given a new reading since the last
time; its interval of time is the hull of its inputs' newest intervals. So it is never fresher, nor more
precisely timed, than what it is made of.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rig.domain.model import Scan, Status

Evaluate = Callable[[Mapping[str, float]], float | None]


@dataclass(slots=True, kw_only=True)
class _Newest:
    sent_ns: int = 0
    received_ns: int = 0
    value: float = math.nan
    status: int = Status.NOT_COMPUTED


@dataclass(slots=True, kw_only=True)
class _Derived:
    block: int
    inputs: tuple[str, ...]
    evaluate: Evaluate
    waiting: set[str] = field(default_factory=set)


class DerivedChannels:
    """All derived channels of a session.

    ``blocks`` is the session's table of blocks; ``formulas`` maps a derived channel to its inputs and
    evaluation. Every derived channel must be the only channel of its block.
    """

    def __init__(
        self,
        blocks: Sequence[tuple[str, ...]],
        formulas: Mapping[str, tuple[tuple[str, ...], Evaluate]],
    ) -> None:
        used = {name for inputs, _ in formulas.values() for name in inputs}
        self._wanted = [
            tuple((at, name) for at, name in enumerate(channels) if name in used) for channels in blocks
        ]
        self._newest = {name: _Newest() for name in used}
        self._by_input: dict[str, list[_Derived]] = {name: [] for name in used}
        for block, channels in enumerate(blocks):
            for name in channels:
                if name in formulas:
                    inputs, evaluate = formulas[name]
                    one = _Derived(block=block, inputs=inputs, evaluate=evaluate, waiting=set(inputs))
                    for used_name in inputs:
                        self._by_input[used_name].append(one)

    def feed(self, scan: Scan) -> Iterator[Scan]:
        """Yield the derived readings that this scan completes, inner formulas before outer ones."""
        ready = self._note(scan)
        while ready:
            result = self._compute(ready.pop(0))
            yield result
            ready.extend(self._note(result))

    def _note(self, scan: Scan) -> list[_Derived]:
        ready: list[_Derived] = []
        for at, name in self._wanted[scan.block]:
            newest = self._newest[name]
            newest.sent_ns, newest.received_ns = scan.sent_ns, scan.received_ns
            newest.value, newest.status = scan.values[at], scan.statuses[at]
            for one in self._by_input[name]:
                one.waiting.discard(name)
                if not one.waiting:
                    one.waiting.update(one.inputs)
                    ready.append(one)
        return ready

    def _compute(self, one: _Derived) -> Scan:
        newest = [self._newest[name] for name in one.inputs]
        value, status = math.nan, _worst(reading.status for reading in newest)
        if Status(status).has_number:
            result = one.evaluate({name: self._newest[name].value for name in one.inputs})
            value, status = (math.nan, Status.NOT_COMPUTED) if result is None else (result, Status(status))
        else:
            status = Status.NOT_COMPUTED
        return Scan(
            block=one.block,
            sent_ns=min(reading.sent_ns for reading in newest),
            received_ns=max(reading.received_ns for reading in newest),
            values=(value,),
            statuses=bytes([status]),
        )


def _worst(statuses: Iterable[int]) -> Status:
    return Status(max(statuses))
