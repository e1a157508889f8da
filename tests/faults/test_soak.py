"""Six hours of the accelerated soak; the four weeks are a documented long run."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.soak import growth, soaked


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_six_hours_of_recording_leave_memory_and_descriptors_as_they_were(tmp_path: Path) -> None:
    samples, outcome = soaked(tmp_path, 6 * 3600 * 25, say=lambda _sample: None)
    print(outcome)
    grown = growth(samples)
    assert grown["resident_mb"] < 3.0, samples
    assert grown["descriptors"] <= 2, samples  # a sealing child may be at work at either end
    assert grown["threads"] == 0
    assert grown["objects"] < 1000
