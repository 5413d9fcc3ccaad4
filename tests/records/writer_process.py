"""A process that records steps until it is killed.  Started by ``test_durability``.

``writer_process.py RECORDS [LAST]``: prints the run's id, then each step's number once its
``finish_step`` has returned.  LAST is how a statement begins (or COMMIT): in its second step the
process dies by SIGKILL just before it.
"""

from __future__ import annotations

import itertools
import os
import signal
import sys
from pathlib import Path
from typing import Any

sys.path.append(str(Path(__file__).parents[1] / "support"))

from conftest import run_start, step
from sqlalchemy import Engine, event

from rig.records.store import Store


def die_before(last: str) -> None:
    def execute(_connection: Any, _cursor: Any, statement: str, *_: Any) -> None:
        if statement.startswith(last):
            os.kill(os.getpid(), signal.SIGKILL)

    def commit(_connection: Any) -> None:
        if last == "COMMIT":
            os.kill(os.getpid(), signal.SIGKILL)

    event.listen(Engine, "before_cursor_execute", execute)
    event.listen(Engine, "commit", commit)


def main() -> None:
    with Store.open(Path(sys.argv[1])) as store:
        run = store.begin_run(run_start())
        print(run, flush=True)
        for number in itertools.count(1):
            if number == 2 and len(sys.argv) > 2:
                die_before(sys.argv[2])
            store.finish_step(run, step(number))
            print(number, flush=True)


if __name__ == "__main__":
    main()
