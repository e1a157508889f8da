"""Rule: several channels of one instrument stepped in one scan: one fault of the instrument."""

from __future__ import annotations

from collections.abc import Sequence

from rig.forensics.analysis_data import AnalysisData, instrument_of
from rig.forensics.fault_rule import FaultType, InstrumentRule, SensorFault

COMMON_STEP = FaultType(
    name="common-step",
    what="step on several channels in one scan",
    refutation="another instrument shows the same step",
    of_instrument=True,
)


def _common_steps(data: AnalysisData, single: Sequence[SensorFault]) -> list[SensorFault]:
    """Return the faults with those joined that began on several channels of one instrument in one scan."""
    rest: list[SensorFault] = []
    groups: dict[str, list[list[SensorFault]]] = {}
    for fault in sorted(single, key=lambda i: i.from_ns):
        instrument = instrument_of(data.layout.channels[fault.subject])
        if not fault.fault_type.joinable or not instrument:
            rest.append(fault)
            continue
        made = groups.setdefault(instrument, [])
        if made and fault.from_ns - made[-1][0].from_ns <= _scans_ns(data, fault.subject):
            made[-1].append(fault)
        else:
            made.append([fault])
    for instrument, found in ((name, group) for name, made in groups.items() for group in made):
        from_ns = found[0].from_ns
        units = {data.layout.channels[i.subject].unit for i in found}
        if len(found) < 3 or (len(units) < 2 and len(found) < _read_by(data, instrument)):
            rest += found
            continue
        rest.append(
            SensorFault(
                fault_type=COMMON_STEP,
                subject=instrument,
                channels=tuple(sorted(i.subject for i in found)),
                from_ns=from_ns,
                until_ns=max(i.until_ns for i in found),
                evidence=tuple(e for i in found for e in i.evidence),
            )
        )
    return rest


def _scans_ns(data: AnalysisData, name: str) -> int:
    """Return the time of one and a half scans: a step within a scan shows in two of them."""
    return int(1.5e9 * data.track(name).period_s())


def _read_by(data: AnalysisData, instrument: str) -> int:
    return sum(instrument_of(c) == instrument for c in data.layout.channels.values())


RULE = InstrumentRule(precedence=60, look=_common_steps)
