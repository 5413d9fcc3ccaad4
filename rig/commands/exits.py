"""Exit statuses of `halfturn`, part of its public contract (README, 'Exit status')."""

from __future__ import annotations

from rig.analysis.model import Verdict

PASS = 0
FAIL = 1
RETEST = 2
USAGE = 3  # the command line, or what was typed, cannot be used
FILES = 4  # a rig file, plan or trace has mistakes, or is not there
BENCH = 5  # the bench could not start, or a rig fault ended the run
RECORDS = 6  # the records cannot be read or written
STOPPED = 7  # the operator or a signal ended the run
PROGRAM = 70  # a fault in halfturn itself

OF_VERDICT = {Verdict.PASS: PASS, Verdict.FAIL: FAIL, Verdict.RETEST: RETEST}


class CommandError(Exception):
    """A command ends with ``status`` and a sentence for the operator."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status
