"""What all tests share."""

import gc
import os

import pytest
import quick_schema
import rewritten_once
from hypothesis import settings
from made_once import MadeOnce

# The same examples every time, and no failure because the machine was busy.
settings.register_profile("steady", parent=settings(), deadline=None, derandomize=True)
settings.load_profile("steady")

# No garbage is looked for while tests are collected: what is imported stays.
gc.disable()
# Afterwards seldom: by default it took a quarter of all CPU of a console's test.
_GARBAGE_AFTER = (50_000, 10, 10)


def pytest_xdist_auto_num_workers() -> int:
    """Return more workers than cores: many tests wait for a process or a clock of real time."""
    return max(2, (os.cpu_count() or 1) * 3 // 2)


def pytest_configure(config):
    if not hasattr(config, "workerinput"):  # not a worker
        config.stash[_MADE] = MadeOnce()
    monkeypatch = pytest.MonkeyPatch()
    rewritten_once.share(monkeypatch)
    config.add_cleanup(monkeypatch.undo)


def pytest_unconfigure(config):
    if _MADE in config.stash:
        config.stash[_MADE].clear()


_MADE = pytest.StashKey[MadeOnce]()


def pytest_collection_finish():
    """Keep what stays for the whole run out of every garbage collection: 6 % of all CPU."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(*_GARBAGE_AFTER)
    gc.enable()


@pytest.fixture(scope="session", autouse=True)
def _schema_made_once():
    with quick_schema.using(quick_schema.upgrade):
        yield
