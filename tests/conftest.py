"""What holds for all tests: no example fails for being slow; a busy machine is no fault of the code."""

from hypothesis import HealthCheck, settings

settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("patient")
