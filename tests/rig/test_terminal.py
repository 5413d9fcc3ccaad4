"""Questions at a plain terminal, here a pseudo-terminal with somebody who types."""

from __future__ import annotations

import os
import pty

import pytest

from rig.bench.requests import Ask
from rig.commands.terminal import NobodyAnswersError, ask_operator


@pytest.fixture
def typing(monkeypatch):
    """Return what types lines at the terminal that the program reads."""
    ours, theirs = pty.openpty()
    with os.fdopen(theirs) as terminal:
        monkeypatch.setattr("sys.stdin", terminal)
        yield lambda text: os.write(ours, text.encode())
    os.close(ours)


@pytest.mark.parametrize(
    ("allowed", "words"),
    [
        (("accepted", "refused"), "yes, no"),
        (("do", "skip", "end"), "yes, no, end"),
        (("yes", "no"), "yes, no"),
        (("done",), "done"),
    ],
)
def test_an_answer_that_does_not_fit_is_asked_for_in_the_words_of_the_prompt(
    typing, capsys, allowed, words
):
    typing(f"perhaps\n{words.split(', ')[-1]}\n")
    assert ask_operator(Ask("a question", "Is it so?", allowed), lambda: False) == allowed[-1]
    assert f"Please answer with one of: {words}.\n" in capsys.readouterr().err


def test_input_that_ends_is_nobody_who_answers(typing):
    typing("\x04")
    with pytest.raises(NobodyAnswersError, match="input ended while a question was open"):
        ask_operator(Ask("a question", "Is it so?", ("yes", "no")), lambda: False)
