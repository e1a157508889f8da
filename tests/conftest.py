"""What holds for all tests: how many examples are tried, how many run side by side."""

import os

import pytest
from hypothesis import HealthCheck, settings

# no example fails for being slow: a busy machine is no fault of the code
PATIENT = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("quick", PATIENT, max_examples=40)
settings.register_profile("whole", PATIENT, max_examples=300)


def _is_quick(config: pytest.Config) -> bool:
    return str(config.getoption("markexpr")) == "not slow"


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("quick" if _is_quick(config) else "whole")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """Return one worker more than there are processors: much of the quick run waits for a peer."""
    return (os.cpu_count() or 1) + 1 if _is_quick(config) else None
