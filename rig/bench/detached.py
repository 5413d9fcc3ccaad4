"""Starting a bench that goes on when the program that started it has gone.

As a program, ``python -m rig.bench.detached RECORDS``: leaves its parent, listens beside the
records, does one job and ends.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.bench.attached import AttachedBench

LOG = "bench.log"
_STARTED_S = 60.0  # on a small computer that is busy, the libraries alone take ten


def start_detached(records: Path) -> AttachedBench:
    """Start a bench for one job beside ``records`` and return it, attached.

    Raises BenchError if it cannot be started, or if another bench is there already.
    """
    from rig.bench.attached import attach
    from rig.bench.errors import BenchError

    folder = records.parent
    path = os.pathsep.join(place for place in sys.path if place)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "rig.bench.detached", str(records)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": path},
            timeout=_STARTED_S,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise BenchError(
            f"A bench that goes on by itself cannot be started: {error}. Close other programs and "
            "try again."
        ) from error
    bench = attach(folder) if done.returncode == 0 else None
    if bench is None:
        told = done.stderr.decode(errors="replace").strip() or f"see {folder / LOG}"
        raise BenchError(f"A bench that goes on by itself cannot be started: {told}")
    return bench


def _leave_parent() -> int:
    """Go on in a child of its own session; the parent waits for a word and ends.

    Nothing is claimed yet, so nothing is inherited.  Returns where to send the word.
    """
    word, say = os.pipe()
    if os.fork():
        os.close(say)
        told = os.read(word, 4096)
        if told != b"up":
            os.write(2, told or b"it ended without a word")
        os._exit(0 if told == b"up" else 1)
    os.close(word)
    os.setsid()
    return say


def _quiet(folder: Path) -> None:
    """Let what the interpreter may say of a crash go to a file: there is no terminal."""
    folder.mkdir(parents=True, exist_ok=True)
    nowhere = os.open(os.devnull, os.O_RDWR)
    log = os.open(folder / LOG, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
    for number, to in ((0, nowhere), (1, log), (2, log)):
        os.dup2(to, number)


def main(records: Path) -> int:
    """Be that bench; return the exit status."""
    say = _leave_parent()
    try:
        from rig.bench.errors import BenchError
        from rig.bench.meeting_place import MeetingPlace
        from rig.bench.service import serve
        from rig.bench.signals import flag_signals
        from rig.bench.watchdog import ServiceNotes

        with flag_signals() as flag:
            try:
                place = MeetingPlace(records.parent)
                _quiet(records.parent)
            except (BenchError, OSError) as error:
                os.write(say, str(error).encode())
                return 5
            os.write(say, b"up")
            os.close(say)
            # Only a service of systemd answers for this process; a bench started from one does not.
            notes = ServiceNotes({})
            return 0 if serve(place, records, flag, notes, once=True) else 70
    except BaseException as error:
        os.write(2, f"{type(error).__name__}: {error}\n".encode())
        raise


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
