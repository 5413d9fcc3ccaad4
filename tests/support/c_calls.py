"""Putting a Python function in the place of a C function that a loaded library calls.

Every call that a shared library makes to another goes through a slot of its own, which the loader
fills with the function's address (System V ABI, "Procedure Linkage Table").  We write another
address there: the library's own code runs unchanged, and the rest of the process keeps libc's.
"""

from __future__ import annotations

import ctypes
import mmap
from collections.abc import Callable
from typing import Any

_LIBC = ctypes.CDLL(None, use_errno=True)
_PAGE = mmap.PAGESIZE
_READ_WRITE = 3
# d_tag of an Elf64_Dyn, from elf.h
_STRTAB, _SYMTAB, _PLTRELSZ, _JMPREL = 5, 6, 2, 23


class _LinkMap(ctypes.Structure):
    """What glibc's dlopen handle points at, as far as link.h makes it public."""

    _fields_ = (
        ("base", ctypes.c_uint64),
        ("name", ctypes.c_char_p),
        ("dynamic", ctypes.c_uint64),
    )


class _Dynamic(ctypes.Structure):
    _fields_ = (("tag", ctypes.c_int64), ("value", ctypes.c_uint64))


class _Relocation(ctypes.Structure):
    _fields_ = (("offset", ctypes.c_uint64), ("info", ctypes.c_uint64), ("add", ctypes.c_int64))


class _Symbol(ctypes.Structure):
    _fields_ = (("name", ctypes.c_uint32), ("rest", ctypes.c_ubyte * 20))


def replace_call(library: str, name: str, function: Any) -> None:
    """Let every call of ``library`` (path; loaded already) to ``name`` go to ``function``.

    ``function`` is a ctypes callback, which the caller keeps alive.  LookupError if the library
    makes no such call.
    """
    handle = ctypes.CDLL(library)._handle
    loaded = ctypes.cast(handle, ctypes.POINTER(_LinkMap)).contents
    slot = loaded.base + _slots(loaded)[name]
    page = slot & -_PAGE
    if _LIBC.mprotect(ctypes.c_void_p(page), ctypes.c_size_t(_PAGE), _READ_WRITE):
        raise OSError(ctypes.get_errno(), f"The slot of {name} cannot be written")
    ctypes.c_void_p.from_address(slot).value = ctypes.cast(function, ctypes.c_void_p).value


def _slots(loaded: _LinkMap) -> dict[str, int]:
    found: dict[int, int] = {}
    at = loaded.dynamic
    while (entry := _Dynamic.from_address(at)).tag:
        found[entry.tag] = entry.value
        at += ctypes.sizeof(_Dynamic)
    slots = {}
    size = ctypes.sizeof(_Relocation)
    for number in range(found[_PLTRELSZ] // size):
        relocation = _Relocation.from_address(found[_JMPREL] + number * size)
        index = relocation.info >> 32
        symbol = _Symbol.from_address(found[_SYMTAB] + index * ctypes.sizeof(_Symbol))
        name = ctypes.string_at(found[_STRTAB] + symbol.name).decode()
        slots[name] = relocation.offset
    return slots


def answering(result: Callable[..., int]) -> Callable[..., int]:
    """Make a function answer as a system call does: an OSError is -1 and errno."""

    def answer(*arguments: Any) -> int:
        try:
            return result(*arguments)
        except OSError as error:
            ctypes.set_errno(error.errno or 0)
            return -1

    return answer


def libc(name: str) -> Any:
    """Return libc's own function."""
    return getattr(_LIBC, name)
