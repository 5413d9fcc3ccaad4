"""``python -m drivers.simulated.apart FOLDER``: a world that outlives its controllers."""

from __future__ import annotations

import argparse
import gc
import signal
import sys
from pathlib import Path

from drivers import DriverError

from .server import WorldServer


def main() -> int:
    """Serve a world until told to end; return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m drivers.simulated.apart", description=__doc__)
    parser.add_argument("folder", type=Path, help="where its socket is; for its owner alone")
    parser.add_argument(
        "--strict-gpiod",
        action="store_true",
        help="release the pins when a controller goes away (default: they keep their levels)",
    )
    parser.add_argument(
        "--until-stdin-closes", action="store_true", help="end with whoever started it"
    )
    options = parser.parse_args()
    until = sys.stdin.fileno() if options.until_stdin_closes else None
    try:
        server = WorldServer(options.folder, strict_gpiod=options.strict_gpiod, until=until)
    except (DriverError, OSError) as error:
        print(f"{parser.prog}: {error}", file=sys.stderr)
        return 5
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, server.stop)
    gc.collect()
    gc.freeze()
    print(f"A world is ready in {options.folder}.", flush=True)
    try:
        server.serve()
    finally:
        server.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
