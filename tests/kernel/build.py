"""Kernel, GPIO module and initial file system of the virtual machine, from Debian's packages.

Nothing of the kernel's source or of what is built from it is kept in this repository.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sysconfig
import tarfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, NamedTuple

# What the guest loads, in this order.  9p: this machine's files; cuse: the I2C bus.
MODULES = (
    "virtio_ring", "virtio", "virtio_pci_legacy_dev", "virtio_pci_modern_dev", "virtio_pci",
    "netfs", "fscache", "9pnet", "9pnet_virtio", "9p", "configfs", "fuse", "cuse",
)  # fmt: skip
# The module's name is that of the pin controller's driver, so that its parameter is found where
# that of Raspberry Pi OS is.
MODULE = "pinctrl-bcm2835"
_SOURCES = ("drivers/gpio/gpio-sim.c", "drivers/gpio/gpiolib.h", "kernel/irq/irq_sim.c")

_FOLDERS = ("bin", "modules", "trees", "proc", "sys", "dev", "mnt")

# Folders of the Python installation that no run needs.
_NOT_NEEDED = (
    *("test", "tests", "idlelib", "ensurepip", "site-packages", "pip", "setuptools"),
    *("mypy", "mypyc", "scipy", "scipy.libs", "scipy-stubs", "hypothesis", "_pytest"),
    *("matplotlib", "fontTools", "PIL", "pillow.libs", "kiwisolver"),
)

# What is changed in the sources, and why; each must be found once.
_PATCHES = {
    "irq_sim.c": (
        # not exported to modules
        ("irq_to_desc(irqnum)", "irq_data_to_desc(irq_get_irq_data(irqnum))"),
    ),
    "gpio-sim.c": (
        # The simulated pull stands for what is wired to the pin, which is stronger than the
        # chip's own pull resistor.
        ("gc->set_config = gpio_sim_set_config;", "(void)gpio_sim_set_config;"),
        # Raspberry Pi OS leaves an output driven when its holder is gone.
        (
            "\t__assign_bit(offset, chip->value_map, !!test_bit(offset, chip->pull_map));\n"
            "\tmutex_unlock(&chip->lock);\n}",
            "\tif (!persist_gpio_outputs || test_bit(offset, chip->direction_map))\n"
            "\t\t__assign_bit(offset, chip->value_map, !!test_bit(offset, chip->pull_map));\n"
            "\tmutex_unlock(&chip->lock);\n}",
        ),
        (
            '#include "gpiolib.h"\n',
            '#include "gpiolib.h"\n\nstatic bool persist_gpio_outputs = true;\n'
            "module_param(persist_gpio_outputs, bool, 0644);\n",
        ),
    ),
}


class BuildError(Exception):
    """What is missing, in a sentence."""


@dataclass(frozen=True)
class Pieces:
    """What a virtual machine is made of."""

    kernel: Path
    modules: tuple[Path, ...]
    busybox: Path
    release: str


def make_pieces(work: Path) -> Pieces:
    """Fetch and build what is not in ``work`` yet; BuildError if that cannot be done."""
    release = _release()
    version = ".".join(release.split(".")[:2])
    system = work / "system"
    _fetch(
        work,
        system,
        f"linux-image-{release}",
        f"linux-headers-{release}",
        f"linux-headers-{release.rsplit('-', 1)[0]}-common",
        f"linux-kbuild-{version}",
        f"linux-source-{version}",
        "busybox-static",
    )
    module = _build_module(work, system, release, version)
    kernel_modules = system / "lib/modules" / release
    found = {path.name.split(".")[0]: path for path in kernel_modules.rglob("*.ko")}
    there = tuple(found[name] for name in MODULES if name in found)  # others are built in
    return Pieces(
        system / f"boot/vmlinuz-{release}", (*there, module), system / "bin/busybox", release
    )


def make_initrd(work: Path, pieces: Pieces, command: list[str], repository: Path) -> Path:
    """Write the initial file system, whose only program starts ``command`` and powers off.

    Python and the program are in it too: over 9p, every import asks this machine thousands of
    times.
    """
    entries = [_Entry(name, 0o040755) for name in _FOLDERS]
    entries.append(_Entry("bin/busybox", 0o100755, pieces.busybox.read_bytes()))
    entries += [_Entry(f"modules/{p.name}", 0o100644, p.read_bytes()) for p in pieces.modules]
    trees = _trees(repository)
    for folder in trees:
        entries += _tree(folder)
    init = _INIT.replace("@MODULES@", " ".join(path.name for path in pieces.modules))
    init = init.replace("@TREES@", " ".join(str(folder) for folder in trees))
    init = init.replace("@COMMAND@", shlex.join(command))
    entries.append(_Entry("init", 0o100755, init.encode()))
    path = work / "initrd"
    with path.open("wb") as file:
        _write_archive(file, entries)
    return path


def _trees(repository: Path) -> list[Path]:
    stdlib = Path(sysconfig.get_path("stdlib"))
    libraries = Path(sysconfig.get_path("purelib"))
    program = [repository / name for name in ("rig", "drivers", "test_plans", "tests/kernel")]
    return [stdlib, libraries, *program]


def _release() -> str:
    shown = _run(["apt-cache", "depends", "linux-image-amd64"])
    for line in shown.splitlines():
        name = line.split()[-1]
        if "Depends:" in line and name.startswith("linux-image-"):
            return name.removeprefix("linux-image-")
    raise BuildError("No Debian kernel is known to apt. Run apt-get update, on Debian 12 (amd64).")


def _fetch(work: Path, system: Path, *packages: str) -> None:
    for package in packages:
        stamp = work / f".{package}"
        if stamp.exists():
            continue
        for old in work.glob(f"{package}_*.deb"):
            old.unlink()
        _run(["apt-get", "download", "-q", package], work)
        (archive,) = work.glob(f"{package}_*.deb")
        _run(["dpkg-deb", "-x", str(archive), str(system)])
        archive.unlink()
        stamp.touch()


def _build_module(work: Path, system: Path, release: str, version: str) -> Path:
    built = work / "module" / f"{MODULE}.ko"
    if built.exists():
        return built
    folder = built.parent
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    top = f"linux-source-{version}"
    wanted = {f"{top}/{name}" for name in _SOURCES}
    with tarfile.open(system / f"usr/src/{top}.tar.xz") as archive:
        for member in archive:
            if member.name in wanted:
                source = archive.extractfile(member)
                assert source is not None
                text = source.read().decode()
                name = Path(member.name).name
                (folder / name).write_text(_patched(name, text), encoding="utf-8")
                wanted.remove(member.name)
                if not wanted:
                    break
    objects = "gpio-sim.o irq_sim.o"
    (folder / "Makefile").write_text(f"obj-m := {MODULE}.o\n{MODULE}-objs := {objects}\n")
    headers = system / "usr/src" / f"linux-headers-{release}"
    common = system / "usr/src" / f"linux-headers-{release.rsplit('-', 1)[0]}-common"
    (headers / "Makefile").write_text(f"include {common}/Makefile\n", encoding="utf-8")
    _run(["make", "-s", "-C", str(headers), f"M={folder}", "modules"])
    return built


def _patched(name: str, text: str) -> str:
    for old, new in _PATCHES.get(name, ()):
        if text.count(old) != 1:
            raise BuildError(
                f"{name} of this kernel differs from that of Linux 6.1: {old.strip()!r} is there "
                f"{text.count(old)} times. Change the list of changes in build.py."
            )
        text = text.replace(old, new)
    return text


def _run(command: list[str], folder: Path | None = None) -> str:
    try:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    except FileNotFoundError as error:
        raise BuildError(f"{command[0]} is missing: this needs Debian.") from error
    if done.returncode:
        raise BuildError(f"{shlex.join(command)} failed:\n{done.stderr.strip()}")
    return done.stdout


class _Entry(NamedTuple):
    name: str
    mode: int
    data: bytes = b""
    modified_s: int = 0  # compiled Python goes by it


def _tree(folder: Path) -> Iterator[_Entry]:
    """Return ``folder`` under ``trees/`` and everything in it that a run may need."""
    for above in (*reversed(folder.parents[:-1]), folder):
        yield _Entry(f"trees{above}", 0o040755)
    for top, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if name not in _NOT_NEEDED)
        inside = Path(top)
        if inside != folder:
            yield _Entry(f"trees{inside}", 0o040755)
        for name in sorted(files):
            path = inside / name
            status = path.stat()
            yield _Entry(f"trees{path}", 0o100755, path.read_bytes(), int(status.st_mtime))


def _write_archive(file: BinaryIO, entries: Iterable[_Entry]) -> None:
    """Write a cpio archive, of the "new ASCII" format that the kernel unpacks."""
    for number, entry in enumerate((*entries, _Entry("TRAILER!!!", 0)), start=1):
        path = entry.name.encode() + b"\0"
        sizes = (len(entry.data), 0, 0, 0, 0, len(path), 0)
        fields = (number, entry.mode, 0, 0, 1, entry.modified_s, *sizes)
        for part in (b"070701" + b"".join(b"%08X" % f for f in fields) + path, entry.data):
            file.write(part + bytes(-len(part) % 4))


_INIT = """#!/bin/busybox sh
export PATH=/bin
B=/bin/busybox
$B mount -t proc proc /proc
$B mount -t sysfs sys /sys
$B mount -t devtmpfs dev /dev
for m in @MODULES@; do $B insmod /modules/$m || echo "not loaded: $m"; done
$B mount -t 9p -o trans=virtio,version=9p2000.L,ro,cache=loose,msize=262144 host /mnt
for d in proc sys dev; do $B mount -o bind /$d /mnt/$d; done
for t in @TREES@; do $B mount -o bind /trees$t /mnt$t; done
$B mount -t tmpfs run /mnt/run
$B mkdir /mnt/run/out /mnt/run/tmp /dev/shm
$B mount -t tmpfs shm /dev/shm
$B mount -t 9p -o trans=virtio,version=9p2000.L,cache=none out /mnt/run/out
$B mount -t configfs config /mnt/sys/kernel/config
$B mount -t tracefs trace /mnt/sys/kernel/tracing
export TMPDIR=/run/tmp HOME=/run/tmp LANG=C.UTF-8 PATH=/usr/local/bin:/usr/bin:/bin
$B chroot /mnt @COMMAND@
$B sync
$B poweroff -f
"""
