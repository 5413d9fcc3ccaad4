"""A process that kills others in the middle of a backup or a restore.  Started by ``test_copies``.

``power_cuts.py WHAT RECORDS FILE RANDOM``: a child process that does WHAT is killed by SIGKILL just
before the first moment at which it changes a name or opens a file, then before the second and so
on, until it is done before; then at RANDOM random times.  After each the state of all files is
printed as a line of JSON, and the folder is put back as it was.

A kill is not quite a power cut: what was written and not synced survives it.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from contextlib import suppress
from pathlib import Path

from rig.records.copies import back_up, restore
from rig.records.errors import RecordsError
from rig.records.verify import verify

# What Python tells of before it does it (https://docs.python.org/3/library/audit_events.html).
_MOMENTS = frozenset({"os.rename", "os.link", "os.remove", "sqlite3.connect", "open"})


def do(what: str, records: Path, file: Path) -> None:
    if what == "backup":
        back_up(records, file, replace=True)
    else:
        restore(records, file)


def child(what: str, records: Path, file: Path, moment: int | None, after_s: float) -> bool:
    """Do it in a child that is killed; return whether it was done before."""
    pid = os.fork()
    if pid:
        return os.waitpid(pid, 0)[1] == 0
    if moment is None:
        signal.signal(signal.SIGALRM, signal.SIG_DFL)  # ends the process wherever it is
        signal.setitimer(signal.ITIMER_REAL, after_s)
    else:
        seen = 0

        def look(event: str, arguments: tuple[object, ...]) -> None:
            nonlocal seen
            if event in _MOMENTS and str(records.parent) in str(arguments[0]):
                seen += 1
                if seen == moment:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(look)
    with suppress(BaseException):
        do(what, records, file)
        os._exit(0)
    os._exit(1)


def state(folder: Path) -> dict[str, object]:
    """Return for each database of the folder how many runs it has, None if it is not sound."""
    found: dict[str, object] = {}
    for path in sorted(folder.iterdir()):
        if path.suffix != ".db":
            continue
        try:
            verified = verify(path)
            found[path.name] = verified.counts.get("runs") if verified.sound else None
        except RecordsError as error:
            found[path.name] = str(error)
    return found


def main() -> None:
    what, records, file, times = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4])
    folder, kept = records.parent, records.parent.with_name("kept")
    shutil.copytree(folder, kept)
    verify(records)  # what is imported for it is then there in every child

    def cut(moment: int | None, after_s: float) -> bool:
        shutil.rmtree(folder)
        shutil.copytree(kept, folder)
        done = child(what, records, file, moment, after_s)
        print(json.dumps({"done": done, "moment": moment, "holds": state(folder)}), flush=True)
        return done

    moment, began_s = 1, time.monotonic()
    while not cut(moment, 0.0):
        began_s = time.monotonic()
        moment += 1
    takes_s = time.monotonic() - began_s
    rng = random.Random(1)
    for _ in range(times):
        cut(None, rng.uniform(0.001, takes_s))


if __name__ == "__main__":
    main()
