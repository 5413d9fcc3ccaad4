"""What all tests share."""

import os

from hypothesis import settings

# The same examples every time, and no failure because the machine was busy.
settings.register_profile("steady", parent=settings(), deadline=None, derandomize=True)
settings.load_profile("steady")


def pytest_xdist_auto_num_workers(config):
    """One more than there are cores: a third of the time is waited away, in tests in real time."""
    return (os.cpu_count() or 1) + 1
