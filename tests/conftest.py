"""Settings of all tests."""

import os

from hypothesis import HealthCheck, settings

# No deadline: the first call of a compiled kernel takes seconds. Derandomized: the same tests on every run.
settings.register_profile(
    "default", deadline=None, max_examples=60, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(
    "thorough", parent=settings.get_profile("default"), max_examples=1000, derandomize=False
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))
