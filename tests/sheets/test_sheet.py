"""A run's sheet as it is read: by eye (its text), by a scanner, and on how many pages."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from made_once import made_once
from paper import codes_in, text_of
from PIL import Image

from rig.analysis.wording import with_u
from rig.diagnosis.words import summary
from rig.records.model import RunState
from rig.sheets.code import read_code
from rig.sheets.document import Document
from rig.sheets.letterhead import Letterhead, letterhead_in, our_templates
from rig.sheets.of_record import document_of
from rig.sheets.run_sheet import diagnosis_of
from rig.sheets.standing import standing_of

HEAD = Letterhead("Low Meadow Pump Works", ("Mill Lane 4",), "Ask the workshop.")
ALL = ("new", "slow", "jammed", "no_feed", "isolation", "pass", "fail", "retest", "interrupted",
       "unfinished", "endurance")  # fmt: skip


@pytest.fixture(scope="session")
def sheets(store, made):
    """Return the document and its PDF of each run."""

    def make(_folder):
        documents = {name: document_of(store, store.run(made[1][name]), HEAD) for name in ALL}
        return {name: (document, document.pdf()) for name, document in documents.items()}

    return made_once("sheets-set", make)[1]


@pytest.fixture
def text(sheets):
    return lambda name: text_of(sheets[name][1])


def pages(document):
    return document.pages(60.0)


@pytest.mark.parametrize("name", ALL)
def test_it_says_what_the_record_says(store, made, text, name):
    run, said = store.run(made[1][name]), text(name)
    start = run.start
    for fact in (start.unit_serial, start.unit_type, start.operator, start.rig_name, HEAD.name):
        assert fact in said
    assert str(run.run_id) in said
    assert standing_of(run).word in said
    if run.end is not None and run.end.judgement is not None:
        against = [r for r in run.end.judgement.reasons if r.verdict != "pass"]
        for reason in against[:1]:
            # Lines may break anywhere in a sentence that stands beside something else.
            assert all(word in said for word in reason.text.split()[:6])
    assert "JCGM 106:2012" in said or name == "isolation"
    assert "no warranty" in said


@pytest.mark.parametrize("name", ["new", "pass", "fail", "retest"])
def test_every_half_turn_stands_on_it_with_its_time(store, made, text, name):
    said = text(name)
    turns = [turn for step in store.run(made[1][name]).steps for turn in step.half_turns]
    assert turns
    for turn in turns:
        if turn.half_turn_s is not None:
            assert with_u(turn.half_turn_s, turn.half_turn_u_s, "") in said


def test_a_value_its_uncertainty_and_its_limit_stand_side_by_side(store, made, text):
    run = store.run(made[1]["pass"])

    # The plan's table of limits (tests/support/bench_runs.py), read off by NumPy.
    def room(turn):
        limit_s = np.interp(turn.supply_v, [8.0, 12.0, 16.0], [2.0, 1.2, 1.0])
        return (limit_s - turn.half_turn_s) / limit_s

    closest = min((turn for step in run.steps for turn in step.half_turns), key=room)
    limit_s = np.interp(closest.supply_v, [8.0, 12.0, 16.0], [2.0, 1.2, 1.0])
    said = text("pass")
    shown = with_u(closest.half_turn_s, closest.half_turn_u_s, "s")
    assert f"no. {closest.number} " in said
    (limit,) = re.findall(rf"{re.escape(shown)} ≤ ([0-9.]+) s", said)
    assert float(limit) == pytest.approx(limit_s, abs=0.0006)
    assert "met" in said


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("new", "SIMULATED"),
        ("isolation", "SIMULATED"),
        ("interrupted", "INTERRUPTED"),
        ("unfinished", "UNFINISHED"),
    ],
)
def test_what_is_no_result_says_so_on_every_page_and_beside_the_verdict(sheets, text, name, word):
    document, pdf = sheets[name]
    count = len(pages(document))
    said = text_of(pdf)
    # Once on the bar, once at the verdict, once at the foot of every page; the marks across the
    # page are turned, and a reader of text may or may not put their letters together.
    assert said.count(word) >= 2 + count
    assert f"({word})" in said


@pytest.mark.parametrize(
    ("state", "simulated"),
    [(RunState.FINISHED, True), (RunState.STOPPED, False), (RunState.INTERRUPTED, True)],
)
def test_the_marks_across_a_page_stand_clear_of_each_other(store, made, state, simulated, tmp_path):
    """Turned back straight, a row has marks over most of the page, and white between them."""
    run = store.run(made[1]["pass"])
    start, end = replace(run.start, simulated=simulated), replace(run.end, state=state)
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "sheet.typ").write_text("#let sheet(data) = []\n")
    document = document_of(
        store, replace(run, start=start, end=end), letterhead_in(tmp_path, HEAD.name)
    )
    dpi = 60.0
    with Image.open(io.BytesIO(document.pages(dpi)[0])) as image:
        straight = image.convert("L").rotate(-30, Image.Resampling.BILINEAR, fillcolor=255)
    dots = np.asarray(straight) < 250
    mm = dpi / 25.4
    middle = dots.shape[0] // 2
    row = dots[middle - int(29 * mm) : middle - int(24 * mm)].any(axis=0)
    inked = np.flatnonzero(row)
    gaps_mm = np.diff(inked) / mm
    between = gaps_mm[gaps_mm > 12.0]
    assert between.size >= 1
    assert between == pytest.approx(np.full(between.size, 25.0), abs=2.5)
    assert (inked[-1] - inked[0]) / mm > 120.0


def test_a_shops_style_leaves_the_foot_as_it_is(store, made, tmp_path):
    """White ink hides what a shop's own templates say, and never the mark at the foot."""
    run, dpi = store.run(made[1]["interrupted"]), 60.0
    templates = tmp_path / "sheets"
    templates.mkdir()
    style = our_templates()["style.typ"].decode()
    style = re.sub(r'rgb\("#\w+"\)', "white", style)
    (templates / "style.typ").write_text(style)
    shop = replace(letterhead_in(tmp_path, HEAD.name), lines=HEAD.lines)
    pages = [document_of(store, run, head).pages(dpi)[0] for head in (HEAD, shop)]
    feet = []
    for page in pages:
        with Image.open(io.BytesIO(page)) as image:
            grey = image.convert("L")
        foot = (0, grey.height - int(11.0 / 25.4 * dpi), grey.width, grey.height)
        feet.append(grey.crop(foot).tobytes())
    assert pages[0] != pages[1]
    assert feet[0] == feet[1]
    assert min(feet[0]) < 64


def test_a_real_and_finished_run_bears_no_mark(sheets, text):
    for name in ("pass", "fail", "retest", "endurance"):
        assert not sheets[name][0].data["marks"]
        assert "SIMULATED" not in text(name)


def test_a_run_without_a_verdict_never_reads_as_one(text):
    said = text("unfinished")
    assert "NO VERDICT" in said
    assert "Every limit of the plan was met" not in said


def test_the_code_is_read_from_the_page_as_it_is_printed(sheets, store, made):
    for name in ("new", "pass", "interrupted"):
        document, _ = sheets[name]
        (found,) = codes_in(document.pages(150.0)[0])
        assert found == document.data["code"]
        run_id = made[1][name]
        assert read_code(found).run_id == run_id
        assert read_code(found).fits(store.checksum(run_id))


@pytest.mark.parametrize(("name", "count"), [("pass", 1), ("new", 1), ("interrupted", 1)])
def test_a_short_plan_fits_on_one_page(sheets, name, count):
    assert len(pages(sheets[name][0])) == count


def test_a_long_run_is_told_in_short(sheets, text):
    said = text("endurance")
    assert len(pages(sheets["endurance"][0])) <= 2
    assert "10000 half-turns (no. 1 to 10000): 9998 parked, 2 stalled" in said
    assert "no. 777 to run: stalled; no. 7001 to run: stalled" in said
    assert "to run: 0.7" in said


def test_an_isolation_tells_steps_ranking_and_what_to_do(store, made, text):
    run, said = store.run(made[1]["isolation"]), text("isolation")
    last = [step.answers for step in run.steps if "cause" in step.answers][-1]
    assert last["cause"] == "relay-dead"
    assert "The relay's armature does not move" in said
    assert all(word in said for word in last["to do"].split()[:6])
    for step in run.steps:
        if step.kind == "guided":
            assert step.title in said


def test_the_same_run_makes_the_same_bytes(store, made, sheets):
    for name in ("pass", "isolation"):
        again = document_of(store, store.run(made[1][name]), HEAD)
        assert again.pdf() == sheets[name][1]


def test_the_rigs_own_fuse_is_nothing_that_the_units_traces_show(store, made, sheets):
    """A 40 A fuse does not protect the unit's type; `why` tells it, the unit's sheet does not."""
    run = store.run(made[1]["pass"])
    text = re.sub(r"(?m)^#? ?fuse_a = .*$", "fuse_a = 40.0", run.start.rig_text)
    changed = replace(run, start=replace(run.start, rig_text=text))
    assert any("over-rated" in line for line in summary(diagnosis_of(store, changed)))
    data = document_of(store, changed, HEAD).data
    assert data["why"] == sheets["pass"][0].data["why"]
    assert not any("fuse" in line for line in data["why"])


def test_letter_paper(store, made):
    document = document_of(store, store.run(made[1]["plain"]), HEAD, "letter")
    (page,) = document.pages(50.0)[:1]
    width, height = (int.from_bytes(page[at : at + 4], "big") for at in (16, 20))
    assert (width, height) == (425, 550)  # 8.5 by 11 inches


NASTY = st.text(
    alphabet=st.one_of(
        st.sampled_from('#$*_`<>@\\[]{}"=-+/~^&%;:' + "'"),
        st.characters(min_codepoint=33, max_codepoint=0x24F, exclude_categories=("C", "Z")),
    ),
    min_size=1,
    max_size=64,
)


@settings(max_examples=25)
@given(NASTY)
@example('#panic("x")')
@example('#import "frame.typ"')
@example("#set page(background: none)")
@example("= *b* _i_ $x^2$ <l> @l \\u{41} `r`")
@example("//x")
def test_no_text_of_a_record_is_markup(store, made, text):
    """Whatever a label held or somebody typed stands on the sheet letter for letter."""
    run = store.run(made[1]["interrupted"])
    start = replace(run.start, unit_serial=text[:64], operator=text, reference=text)
    end = replace(run.end, note=text, state=RunState.STOPPED)
    document = document_of(store, replace(run, start=start, end=end), Letterhead(text, (text,)))
    assert document.data["serial"] == text[:64]
    said = _letters(text_of(document.pdf()))
    assert said.count(_letters(text[:12])) >= 3
    assert "STOPPED" in said


def _letters(text: str) -> str:
    """Return text without blanks and without what marks where a long word may break.

    Signs that a font draws as one (fi) are read back as one.
    """
    for drawn, meant in (("ﬁ", "fi"), ("ﬂ", "fl"), ("ﬀ", "ff"), ("ﬃ", "ffi"), ("ﬄ", "ffl")):
        text = text.replace(drawn, meant)
    return "".join(c for c in text if not c.isspace() and c != "\u200b")


def test_other_scripts_and_long_words_do_not_break_it(store, made):
    run = store.run(made[1]["plain"])
    for serial in ("漢字-0417 Ж-12 ½ Ω 😀", "W" * 64, "שלום ا"):
        start = replace(run.start, unit_serial=serial, operator="W" * 100, reference="x" * 100)
        document = document_of(store, replace(run, start=start), HEAD)
        assert document.data["serial"] == serial
        assert len(pages(document)) <= 2


def test_a_document_needs_no_run_to_be_pure_data(sheets):
    """The data are JSON: nothing of them can reach a file or a program from a template."""
    import json

    for document, _ in sheets.values():
        assert isinstance(document, Document)
        assert json.loads(json.dumps(document.data)) == document.data
