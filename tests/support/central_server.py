"""A PostgreSQL of the tests' own, on a UNIX socket in a folder of its own; never on a network.

One serves a whole test run.  It is kept by a process that ends it, and clears up, when the test run
is gone, however that went:  ``python central_server.py FOLDER PID``.
"""

from __future__ import annotations

import fcntl
import os
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from uuid import uuid4

_START_S = 60.0  # longest start that is waited for, on a machine with much else to do
ROOT = Path(__file__).resolve().parents[2]
READY, LOG = "ready", "server.log"
SETTINGS = (
    *("-c", "listen_addresses="),
    *("-c", "fsync=off", "-c", "synchronous_commit=off", "-c", "full_page_writes=off"),
    *("-c", "max_connections=60", "-c", "shared_buffers=32MB"),
)
# Everybody may come in but "locked", who needs a password.
ACCESS = "local all locked scram-sha-256\nlocal all all trust\n"


def programs():
    """Return the folder of the server's programs, None if there is none here."""
    asked = shutil.which("pg_config")
    folders = []
    if asked:
        said = subprocess.run([asked, "--bindir"], capture_output=True, text=True, check=False)
        folders.append(Path(said.stdout.strip()))
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((folder for folder in folders if (folder / "initdb").is_file()), None)


def shared_server(test_run: int):
    """Return the folder of the socket of the server of this test run; the first who asks starts it.

    ``test_run`` is the process that all workers belong to.
    """
    place = Path(tempfile.gettempdir()) / f"halfturn-central-{test_run}"
    place.mkdir(mode=0o755, exist_ok=True)
    with (place / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (place / READY).exists():
            with (place / LOG).open("ab") as log:
                subprocess.run(  # goes on behind, as a child of nobody's
                    [sys.executable, __file__, str(place), str(test_run)],
                    check=True,
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                    start_new_session=True,
                    env={**os.environ, "PYTHONPATH": str(ROOT)},
                )
            end_s = time.monotonic() + _START_S
            while not (place / READY).exists():
                if time.monotonic() > end_s:
                    raise RuntimeError((place / LOG).read_text("utf-8", "replace")[-2000:])
                time.sleep(0.05)  # for another process, which has no way to tell
    return place


def new_database(server: Path, template: str = "template1") -> str:
    """Make a database; return its URL."""
    import psycopg

    name = f"t{uuid4().hex[:16]}"
    with psycopg.connect(f"host={server} user=postgres dbname=postgres", autocommit=True) as line:
        line.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
    return url_of(server, name)


def url_of(server: Path, name: str, user: str = "postgres") -> str:
    return f"postgresql+psycopg://{user}@/{name}?host={server}"


def _keep(place: Path, test_run: int) -> None:
    data, bin_ = place / "data", programs()
    watched = os.pidfd_open(test_run)
    as_user = {"user": "postgres", "group": "postgres"} if os.geteuid() == 0 else {}
    if as_user:
        shutil.chown(place, "postgres", "postgres")
    make = [bin_ / "initdb", "-D", data, "-U", "postgres", "-A", "trust", "-N", "-E", "UTF8"]
    make += ["--locale=C.UTF-8", "--no-instructions"]
    subprocess.run(make, check=True, stdout=subprocess.DEVNULL, cwd=place, **as_user)
    (data / "pg_hba.conf").write_text(ACCESS)
    server = subprocess.Popen(
        [bin_ / "postgres", "-D", data, "-k", place, *SETTINGS], cwd=place, **as_user
    )
    try:
        while subprocess.run(
            [bin_ / "pg_isready", "-q", "-h", place], check=False, cwd=place
        ).returncode:
            if server.poll() is not None:
                raise RuntimeError("the server ended at once")
            time.sleep(0.05)
        _prepare(place)
        (place / READY).touch()
        select.select([watched], [], [])  # until the test run is gone
    finally:
        server.send_signal(signal.SIGQUIT)
        server.wait()
        shutil.rmtree(place, ignore_errors=True)


def _prepare(place: Path) -> None:
    """Make a database with empty central records in it, which new ones are copied from."""
    import psycopg

    from rig.records.central import Central

    with psycopg.connect(f"host={place} user=postgres dbname=postgres", autocommit=True) as line:
        line.execute("CREATE DATABASE prepared")
        line.execute("CREATE ROLE locked LOGIN PASSWORD 'right'")
        line.execute("CREATE ROLE nobody LOGIN")
    with Central.open(url_of(place, "prepared"), unprepared=True) as central:
        central.prepare()


if __name__ == "__main__":
    if os.fork():
        os._exit(0)
    _keep(Path(sys.argv[1]), int(sys.argv[2]))
