"""Questions at a plain terminal, here a pseudo-terminal with somebody who types."""

from __future__ import annotations

import os
import pty

import pytest

from rig.bench.requests import Ask
from rig.commands.terminal import NobodyAnswersError, Operator, ask_operator

CAUTIONS = Ask("accept_cautions", "Cautions:\n  - Mind.\nRead?", ("accepted", "refused"))


class Typist:
    """Types at the terminal: `at_once`, or ``when_asked``, a piece each time it is looked at."""

    def __init__(self, end):
        self._end = end
        self.when_asked = []
        self.has_news = False  # something comes first, once all is typed

    def at_once(self, text):
        os.write(self._end, text.encode())

    def stopped(self):
        """What the program looks at while nothing is typed."""
        if not self.when_asked:
            return self.has_news
        self.at_once(self.when_asked.pop(0))
        return False


@pytest.fixture
def typist(monkeypatch):
    """Return who types at the terminal that the program reads."""
    ours, theirs = pty.openpty()
    with os.fdopen(theirs) as terminal:
        monkeypatch.setattr("sys.stdin", terminal)
        yield Typist(ours)
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
    typist, capsys, allowed, words
):
    typist.when_asked = ["perhaps\n", f"{words.split(', ')[-1]}\n"]
    assert ask_operator(Ask("a question", "Is it so?", allowed), typist.stopped) == allowed[-1]
    assert f"Please answer with one of: {words}.\n" in capsys.readouterr().err


def test_input_that_ends_is_nobody_who_answers(typist):
    typist.when_asked = ["\x04"]
    with pytest.raises(NobodyAnswersError, match="input ended while a question was open"):
        ask_operator(Ask("a question", "Is it so?", ("yes", "no")), typist.stopped)


def test_what_was_typed_before_a_question_stood_there_answers_nothing(typist, capsys):
    operator = Operator()
    typist.when_asked = ["yes A\nyes B\n"]  # the second line before B's cautions were shown
    assert operator.ask(CAUTIONS, typist.stopped, station="A") == "accepted"
    typist.when_asked = ["no\n"]
    assert operator.ask(CAUTIONS, typist.stopped, station="B") == "refused"
    # Typed for a question that is void by then, but for its Enter.
    looks = Ask("inspect", "Look.", ("ok", "fault"))
    typist.when_asked, typist.has_news = ["y"], True
    assert operator.ask(looks, typist.stopped, station="A") is None
    typist.when_asked = ["\n", "fault\n"]
    assert operator.ask(looks, typist.stopped, station="B") == "fault"
    assert "Please answer" in capsys.readouterr().err


def test_the_cautions_of_a_station_are_accepted_by_its_name(typist, capsys):
    typist.when_asked = ["yes\n", "yes A\n", "Y b\n"]
    assert Operator().ask(CAUTIONS, typist.stopped, station="B") == "accepted"
    said = capsys.readouterr().err
    assert "Station B: Cautions:" in said
    assert "[yes B = accepted, no = refused]" in said
    assert said.count("Please answer with one of: yes B, no.") == 2
    typist.when_asked = ["n\n"]
    assert Operator().ask(CAUTIONS, typist.stopped, station="B") == "refused"


def test_a_question_left_open_is_recalled_in_a_line_with_what_was_typed(typist, capsys):
    operator = Operator()
    typist.when_asked, typist.has_news = ["yes "], True
    assert operator.ask(CAUTIONS, typist.stopped, station="B") is None
    assert "  - Mind." in capsys.readouterr().err
    typist.when_asked = ["B\n"]
    assert operator.ask(CAUTIONS, typist.stopped, station="B") == "accepted"
    said = capsys.readouterr().err
    assert "Still asked: Station B: Read?" in said
    assert "Mind." not in said
