"""What all tests share."""

import os

from hypothesis import settings

# The same examples every time, and no failure because the machine was busy.
settings.register_profile("steady", parent=settings(), deadline=None, derandomize=True)
settings.load_profile("steady")


def pytest_xdist_auto_num_workers() -> int:
    """Return more workers than cores: many tests wait for a process or a clock of real time."""
    return max(2, (os.cpu_count() or 1) * 3 // 2)
