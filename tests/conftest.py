"""What holds for all tests: how many examples are tried, how many run side by side."""

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# no example fails for being slow: a busy machine is no fault of the code
PATIENT = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("quick", PATIENT, max_examples=40)
settings.register_profile("whole", PATIENT, max_examples=100)


def _is_quick(config: pytest.Config) -> bool:
    return str(config.getoption("markexpr")) == "not slow"


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("quick" if _is_quick(config) else "whole")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """Return one worker more than there are processors: much of the quick run waits for a peer."""
    return (os.cpu_count() or 1) + 1 if _is_quick(config) else None


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Return a file system of 4 MiB of its own."""
    place = tmp_path / "small"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(place)]
    if os.geteuid() or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("needs the right to mount a file system")
    yield place
    subprocess.run(["umount", str(place)], check=True)
