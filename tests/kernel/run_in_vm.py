"""The `pi` backend unmodified on a real kernel: killed, stopped and started again, line by line.

Run by hand, as root or not, on Debian 12 (amd64), from the repository:

    sudo apt-get install qemu-system-x86 gcc make        # once
    .venv/bin/pip install -e '.[test]'
    .venv/bin/python tests/kernel/run_in_vm.py

It boots Debian's own kernel in a small virtual machine whose root is this machine's file system,
read-only.  In it are a GPIO chip (gpio-sim, built here from Debian's source package into a
temporary folder; Debian does not build it) and an I2C bus in user space (CUSE), both wired to the
world of the simulated bench in real time.  README.md in this folder says what is real and what is
not.  `--keep FOLDER` keeps downloads and module for the next time.  Exit status 1 if a rule is
broken, 2 if the machine could not be made.
"""

from __future__ import annotations

import argparse
import compileall
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from build import BuildError, Pieces, make_initrd, make_pieces
from report import as_markdown

HERE = Path(__file__).resolve().parent
REPOSITORY = HERE.parents[1]
TIME_LIMIT_S = 5400  # of this machine, which may be busy
# The guest's time goes by instructions, one a nanosecond and none while it has nothing to do, so
# that it is as fast on a busy machine as on an idle one, in its own time.  The processor: the lgpio
# wheel needs more than the plain one has.
_PROCESSOR = (
    *("-accel", "tcg,thread=single", "-icount", "shift=0,sleep=off"),
    *("-cpu", "max", "-smp", "1", "-m", "3072"),
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Build, boot, report; return the exit status."""
    options = _options(arguments)
    with tempfile.TemporaryDirectory(prefix="halfturn-kernel-") as temporary:
        work = Path(options.keep or temporary).resolve()
        work.mkdir(parents=True, exist_ok=True)
        try:
            _need_tools()
            _say("kernel and module")
            pieces = make_pieces(work)
            started_s = time.monotonic()
            found = _boot(pieces, work, options)
        except BuildError as error:
            print(error, file=sys.stderr)
            return 2
        print(as_markdown(found, time.monotonic() - started_s))
    return 0 if found["complete"] and all(row["ok"] for row in found["checks"]) else 1


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--keep", metavar="FOLDER", help="keep downloads and the built module here")
    parser.add_argument("--sample-hz", type=int, default=200, help="in the guest's rig file (200)")
    parser.add_argument(
        "--only", metavar="NAME", action="append", help="this scenario; again: more"
    )
    parser.add_argument("--show-guest", action="store_true", help="the guest's console on stderr")
    return parser.parse_args(arguments)


def _need_tools() -> None:
    missing = [name for name in ("qemu-system-x86_64", "gcc", "make") if not shutil.which(name)]
    if missing:
        raise BuildError(
            f"Missing: {', '.join(missing)}. Install: apt-get install qemu-system-x86 gcc make"
        )


def _boot(pieces: Pieces, work: Path, options: argparse.Namespace) -> dict[str, object]:
    for folder in ("rig", "drivers", "test_plans"):  # the guest cannot write, and is slow
        compileall.compile_dir(REPOSITORY / folder, quiet=2)
    out = work / "out"
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir()
    (out / "order.json").write_text(
        json.dumps({"sample_hz": options.sample_hz, "only": options.only or []}), encoding="utf-8"
    )
    command = [sys.executable, str(HERE / "guest.py")]
    initrd = make_initrd(work, pieces, command, REPOSITORY)
    log = work / "guest.log"
    machine = [
        "qemu-system-x86_64",
        *_PROCESSOR,
        *("-nographic", "-vga", "none", "-net", "none", "-no-reboot"),
        *("-kernel", str(pieces.kernel), "-initrd", str(initrd)),
        *("-append", "console=ttyS0 quiet panic=-1 mitigations=off"),
        *("-virtfs", "local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap"),
        *("-virtfs", f"local,path={out},mount_tag=out,security_model=none,multidevs=remap"),
    ]  # fmt: skip
    _say("virtual machine")
    with log.open("wb") as written:
        guest = subprocess.Popen(
            machine,
            stdin=subprocess.DEVNULL,
            stdout=None if options.show_guest else written,
            stderr=subprocess.STDOUT,
        )
        try:
            _follow(guest, out)
        finally:
            if guest.poll() is None:
                guest.kill()
                guest.wait()
    result = out / "found.json"
    if not result.exists():
        tail = log.read_text(encoding="utf-8", errors="replace")[-3000:]
        raise BuildError(f"The guest came to nothing. The end of its console:\n{tail}")
    found: dict[str, object] = json.loads(result.read_text(encoding="utf-8"))
    return found


def _follow(guest: subprocess.Popen[bytes], out: Path) -> None:
    """Tell how far the guest is, until it has switched itself off."""
    until_s = time.monotonic() + TIME_LIMIT_S
    told = ""
    while guest.poll() is None and time.monotonic() < until_s:
        time.sleep(0.5)
        stage = out / "stage"
        text = stage.read_text(encoding="utf-8").strip() if stage.exists() else ""
        if text and text != told:
            told = text
            _say(text)


def _say(text: str) -> None:
    print(f"{time.strftime('%H:%M:%S')} {text}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    os.chdir(REPOSITORY)
    sys.exit(main())
