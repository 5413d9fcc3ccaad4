"""A console that dies without any clean-up in the middle of a run.

``python dying_console.py ORDER RECORDS``: prints the bench's process number, then is gone.
"""

import os
import pickle
import sys
from pathlib import Path

from rig.bench.events import HalfTurnEnded
from rig.bench.process import BenchClient

if __name__ == "__main__":
    order = pickle.loads(Path(sys.argv[1]).read_bytes())
    bench = BenchClient(order, Path(sys.argv[2]))
    while not any(isinstance(event, HalfTurnEnded) for event in bench.events(0.1)):
        pass
    print(bench.pid, flush=True)
    os._exit(1)
