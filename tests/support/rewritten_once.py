"""Assertions of test modules are rewritten once in a run, not in every worker: 6 s of CPU each.

Its own cache does as much only from the second run on, and only where bytecode may be written.
"""

from __future__ import annotations

import hashlib
import marshal

from _pytest.assertion import rewrite
from made_once import made_once


def share(monkeypatch):
    """Have the workers of this run share what pytest makes of a module, until it is undone."""
    by_pytest = getattr(rewrite, "_rewrite_test", None)
    if by_pytest is None:  # not public: a pytest without it rewrites in every worker
        return

    def once(path, config):
        def make(_):
            source_hash, code = by_pytest(path, config)
            return source_hash, marshal.dumps(code)

        name = "rewritten-" + hashlib.sha256(str(path).encode()).hexdigest()[:16]
        _, (source_hash, code) = made_once(name, make)
        return source_hash, marshal.loads(code)

    monkeypatch.setattr(rewrite, "_rewrite_test", once)
