"""The parser of the command line, and how numbers on it are read."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import NoReturn, TypeVar

USAGE = 3


_LONGEST = 300  # characters of a message of argparse, which repeats what was typed, however long


N = TypeVar("N", int, float)


class Parser(argparse.ArgumentParser):
    """argparse ends with status 2 on a wrong command line, which is 'retest' here."""

    def error(self, message: str) -> NoReturn:
        """Tell what is wrong with the command line and end with `USAGE`."""
        from rig.commands.streams import visible

        self.print_usage(sys.stderr)
        said = visible(message if len(message) <= _LONGEST else message[:_LONGEST] + "...")
        self.exit(USAGE, f"halfturn: {said}. See `{self.prog} --help`.\n")


def number(meant: str) -> Callable[[str], float]:
    """Return the reader of an option's number; ``meant`` says what to give instead of a slip."""
    return _read_as(float, "a number", meant)


def whole(meant: str) -> Callable[[str], int]:
    """Return the reader of an option's whole number."""
    return _read_as(int, "a whole number", meant)


def _read_as(kind: Callable[[str], N], wanted: str, meant: str) -> Callable[[str], N]:
    def read(text: str) -> N:
        try:
            return kind(text)
        except ValueError:
            from rig.labels import shown

            said = f"'{shown(text)}' is not {wanted}; give {meant}"
            raise argparse.ArgumentTypeError(said) from None

    return read


class WholeLines(argparse.RawDescriptionHelpFormatter):
    """Keeps the longest command and its help on one line: argparse forgets its indentation."""

    def format_help(self) -> str:
        """Return the help."""
        self._action_max_length += 2
        return super().format_help()


EXIT_STATUS = """\
exit status:
  0  pass (or: done)          4  a rig file, plan or trace has mistakes, or cannot be written
  1  fail                     5  the bench could not start, or a rig fault ended the run
  2  retest                   6  the records cannot be read or written
  3  wrong command line       7  stopped by the operator or a signal
                              70 a fault in halfturn itself
"""
