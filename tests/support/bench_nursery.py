"""Bench processes that are there at once, for tests that kill many of them.

A bench process is spawned, which takes a second or two.  Here one process loads what a bench
needs and forks for each; nothing is claimed before that, so nothing that matters is inherited.
Each child then is the product's own `bench_main`.

``python bench_nursery.py FD``: takes ``{"records", "ring", "cut"}`` with the bench's end of its
pipe from the socket FD, and answers with the child's process number.
"""

from __future__ import annotations

import atexit
import ctypes
import json
import os
import signal
import socket
import sys
from multiprocessing import resource_tracker
from multiprocessing.connection import Connection
from pathlib import Path

import drivers.simulated.apart.client  # noqa: F401  what a bench would load by name
import rig.bench.session
import rig.records.migrate  # noqa: F401
from rig.bench.process import bench_main


def be_a_bench(order, pipe):
    """Be one bench process, to its end."""
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    # The ring belongs to whoever made it; a tracker of our own would take it away.
    resource_tracker.register = resource_tracker.unregister = lambda *_: None
    if order["cut"]:
        folder, journal = (text.encode() for text in order["cut"])
        ctypes.CDLL(None).cut_begin(folder, journal)
    bench_main(Path(order["records"]), order["ring"], Connection(pipe), quiet=False)
    atexit._run_exitfuncs()


def main():
    """Fork a bench for each order until nobody gives any more."""
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the dead are not to wait for us
    with socket.socket(fileno=int(sys.argv[1])) as orders:
        while True:
            text, pipes, _, _ = socket.recv_fds(orders, 65_536, 1)
            if not text:
                return
            pid = os.fork()
            if not pid:
                status = 1
                try:
                    orders.close()
                    be_a_bench(json.loads(text), pipes[0])
                    status = 0
                finally:
                    os._exit(status)
            os.close(pipes[0])
            orders.send(str(pid).encode())


if __name__ == "__main__":
    main()
