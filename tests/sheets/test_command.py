"""`halfturn sheet` as a user meets it."""

from __future__ import annotations

import json
import resource
import sqlite3
import sys
from contextlib import contextmanager
from datetime import UTC, datetime
from math import nan

import pytest
from at_the_prompt import halfturn
from paper import codes_in, text_of

from rig.records.model import RunEvent
from rig.records.store import Store
from rig.settings import starter_text
from rig.sheets.printing import lot_name


@pytest.fixture
def bench(records, tmp_path, monkeypatch):
    """Stand in a rig folder with records; return the folder and the ids."""
    path, ids = records
    logs = tmp_path / "logs"
    logs.mkdir()
    path.rename(logs / "records.sqlite")
    (tmp_path / "rig.toml").write_text(starter_text())
    monkeypatch.chdir(tmp_path)
    return tmp_path, ids


def with_sheets(rig_folder, **keys):
    lines = "".join(f"{name} = {json.dumps(value)}\n" for name, value in keys.items())
    head, _, rest = starter_text().partition("# --- stations")
    (rig_folder / "rig.toml").write_text(f"{head}[sheets]\n{lines}\n# --- stations{rest}")


def test_a_sheet_goes_where_the_rig_keeps_them_and_verifies(bench, capsys):
    folder, ids = bench
    status, out, _ = halfturn(capsys, "sheet", "make", str(ids["pass"]), "--png", "--json")
    assert status == 0
    made = json.loads(out)
    pdf, png = (folder / name for name in made["files"])
    assert pdf.parent == folder / "logs" / "sheets"
    assert pdf.name.startswith("LM-12-0288-qualify-")
    assert made["marks"] == []
    assert codes_in(png.read_bytes()) == [made["code"]]
    status, out, _ = halfturn(capsys, "sheet", "verify", made["code"])
    assert (status, "unchanged" in out) == (0, True)
    assert "LM-12-0288" in out


def test_the_printed_code_can_be_typed(bench, capsys):
    folder, ids = bench
    halfturn(capsys, "sheet", "make", str(ids["new"])[:8], "--out", "s.pdf")
    said = text_of((folder / "s.pdf").read_bytes())
    typed = said.partition("Code: ")[2].partition(". It holds")[0]
    status, out, _ = halfturn(capsys, "sheet", "verify", *typed.lower().split())
    assert status == 0
    assert "SIMULATED" in out


def test_one_changed_value_is_told(bench, capsys):
    _, ids = bench
    _, out, _ = halfturn(capsys, "sheet", "make", str(ids["plain"]), "--json")
    code = json.loads(out)["code"]
    raw = sqlite3.connect("logs/records.sqlite")
    raw.execute(
        "UPDATE half_turns SET half_turn_s = half_turn_s - 0.001 WHERE number = 1 AND step_id IN "
        "(SELECT id FROM steps WHERE run_id = ?)",
        (ids["plain"].hex,),
    )
    raw.commit()
    raw.close()
    status, out, _ = halfturn(capsys, "sheet", "verify", code)
    assert status == 1
    assert "The record differs from what was printed" in out
    status, out, _ = halfturn(capsys, "sheet", "verify", code, "--json")
    assert json.loads(out)["found"] == "changed"
    _, out, _ = halfturn(capsys, "sheet", "make", str(ids["interrupted"]), "--json")
    _, out, _ = halfturn(capsys, "sheet", "verify", json.loads(out)["code"], "--json")
    found = json.loads(out)
    assert (found["state"], found["marks"]) == ("interrupted", ["INTERRUPTED"])


def test_a_changed_record_is_not_put_into_the_sheets_mouth(bench, capsys):
    """A verdict that was turned to a pass is what the record says now, not what was printed."""
    _, ids = bench
    _, out, _ = halfturn(capsys, "sheet", "make", str(ids["fail"]), "--json")
    raw = sqlite3.connect("logs/records.sqlite")
    raw.execute("UPDATE runs SET verdict = 'pass' WHERE id = ?", (ids["fail"].hex,))
    raw.commit()
    raw.close()
    _, out, _ = halfturn(capsys, "sheet", "verify", json.loads(out)["code"])
    said = " ".join(out.split())
    assert "The sheet says" not in said
    assert f"The code names record {ids['fail']}. That record now reads: " in said
    assert ", PASS; the sheet in your hand may say otherwise: do not go by this record." in said


def test_a_sheet_printed_while_the_run_was_on_raises_no_alarm(bench, capsys):
    folder, ids = bench
    _, out, _ = halfturn(capsys, "sheet", "make", str(ids["unfinished"]), "--json")
    made = json.loads(out)
    assert made["marks"] == ["UNFINISHED"]
    with Store.open(folder / "logs" / "records.sqlite") as store:
        store.finish_run(ids["unfinished"], store.run(ids["plain"]).end)
    status, out, _ = halfturn(capsys, "sheet", "verify", made["code"])
    said = " ".join(out.split())
    assert status == 1
    assert "If the sheet says UNFINISHED, it was printed before the run's end" in said
    assert said.index("UNFINISHED") < said.index("looks for damage")


def test_a_note_written_later_changes_nothing(bench, capsys):
    _, ids = bench
    _, out, _ = halfturn(capsys, "sheet", "make", str(ids["plain"]), "--json")
    code = json.loads(out)["code"]
    with Store.open(bench[0] / "logs" / "records.sqlite") as store:
        store.add_event(ids["plain"], RunEvent(datetime.now(UTC), nan, "note", "sent out"))
    assert halfturn(capsys, "sheet", "verify", code)[0] == 0


def test_a_sheet_of_elsewhere_and_a_slip_are_told(bench, capsys):
    folder, ids = bench
    _, out, _ = halfturn(capsys, "sheet", "make", str(ids["plain"]), "--json")
    code = json.loads(out)["code"]
    with Store.open(folder / "other.sqlite"):
        pass
    status, out, _ = halfturn(capsys, "sheet", "verify", code, "--records", "other.sqlite")
    assert (status, "There is no record" in out) == (6, True)
    slip = code[:10] + ("0" if code[10] != "0" else "1") + code[11:]
    status, _, err = halfturn(capsys, "sheet", "verify", slip)
    assert (status, "mistyped" in err) == (3, True)


def test_a_check_character_that_looks_like_another(bench, capsys):
    """A zero for an O is no slip, unless no record fits: then it may hide one."""
    code = "HT1:000000000000005F4000800000000000:ABABABABABABABABABABO"
    status, out, _ = halfturn(capsys, "sheet", "verify", code)
    assert (status, "There is no record" in out) == (6, True)
    status, _, err = halfturn(capsys, "sheet", "verify", f"{code[:-1]}0")
    assert (status, "mistyped" in err) == (3, True)


def test_every_other_document(bench, capsys):
    folder, ids = bench
    status, out, _ = halfturn(
        capsys, "sheet", "before-after", str(ids["slow"]), str(ids["rebuilt"]), "--out", "b.pdf"
    )
    assert (status, "Before and after, LM-12-0288" in out) == (0, True)
    status, out, _ = halfturn(capsys, "sheet", "lot", "--reference", "L-2209", "--out", "l.pdf")
    assert (status, "Lot report L-2209" in out) == (0, True)
    assert "LM-12-0293" in text_of((folder / "l.pdf").read_bytes())
    status, out, _ = halfturn(capsys, "sheet", "make", str(ids["isolation"]), "--out", "i.png")
    assert (status, "Fault isolation" in out) == (0, True)
    status, out, _ = halfturn(capsys, "sheet", "label", "last", "--size", "40x15", "--dpi", "203")
    assert status == 0
    assert len(list((folder / "logs" / "sheets").glob("*-label.png"))) == 1


def test_no_report_takes_the_place_of_another_one(bench, capsys):
    _, ids = bench
    asked = [
        ("before-after", str(ids["slow"]), str(ids["rebuilt"])),
        ("before-after", str(ids["rebuilt"]), str(ids["new"])),
        ("lot", "--reference", "J-1391"),
        ("lot", "--reference", "J-1391", "--plan", "qualify"),
        ("lot", str(ids["slow"]), str(ids["rebuilt"])),
    ]
    files = []
    for words in asked:
        _, out, _ = halfturn(capsys, "sheet", *words, "--json")
        files += json.loads(out)["files"]
    assert len(set(files)) == len(asked)
    assert lot_name("A/1", ("A/1", None)) != lot_name("A_1", ("A_1", None))


WRONG = {
    ("make", "last", "--out", "sheet.docx"): "saved as .pdf or .png",
    ("make", "last", "--dpi", "5"): "--dpi must be",
    ("make", "last", "--print"): "print_with",
    ("label", "last", "--size", "wide"): "width x height in mm",
    ("label", "last", "--size", "10x5"): "no room for a code",
    ("label", "last", "--out", "l.pdf"): "saved as .png",
    ("lot",): "say which runs",
    ("lot", "last", "--reference", "x"): "say which runs",
    ("verify", "hello"): "begin with HT1",
}


@pytest.mark.parametrize("words", WRONG, ids=" ".join)
def test_what_cannot_be_done_is_said(bench, capsys, words):
    status, _, err = halfturn(capsys, "sheet", *words)
    assert (status, WRONG[words] in err) == (3, True)


def test_a_run_that_is_not_there(bench, capsys):
    assert halfturn(capsys, "sheet", "make", "ffffffff")[0] == 6
    assert halfturn(capsys, "sheet", "lot", "--reference", "nobody's")[0] == 6


# What another program, or a newer one, may leave in the records.
ODD_ROWS = [
    "UPDATE runs SET verdict = 'maybe'",
    "UPDATE runs SET state = 'dreamt'",
    "UPDATE runs SET source = 'found'",
    "UPDATE runs SET backend_facts = '[1]'",
    "UPDATE half_turns SET outcome = 'flew'",
    "UPDATE half_turns SET direction = 'up', half_turn_s = NULL, supply_v = 9e99",
    "UPDATE steps SET state = 'lost', kind = 'dance'",
    "UPDATE measures SET value = NULL, u = 9e99, unit = ''",
    "UPDATE texts SET text = 'x = 1'",
    "UPDATE traces SET data = x'00ff'",
    """UPDATE steps SET answers = '{"ranking": {"x": "y"}, "cause": 7}' WHERE kind = 'ranking'""",
]


@pytest.mark.parametrize("sql", ODD_ROWS)
def test_records_with_something_in_them_that_is_not_ours(bench, capsys, sql):
    _, ids = bench
    raw = sqlite3.connect("logs/records.sqlite")
    raw.execute("PRAGMA ignore_check_constraints = 1")
    raw.execute(sql)
    raw.commit()
    raw.close()
    drawn = any(table in sql for table in ("half_turns", "measures", "traces"))
    name = "isolation" if "ranking" in sql else "pass" if drawn else "plain"
    status, out, err = halfturn(capsys, "sheet", "make", str(ids[name]), "--out", "s.pdf")
    assert status in (0, 6), out + err


def test_a_verdict_and_an_end_that_nobody_knows_are_no_pass(bench, capsys):
    folder, ids = bench
    for sql in ("UPDATE runs SET verdict = 'maybe'", "UPDATE runs SET state = 'dreamt'"):
        raw = sqlite3.connect("logs/records.sqlite")
        raw.execute(sql)
        raw.commit()
        raw.close()
        status, _, _ = halfturn(capsys, "sheet", "make", str(ids["plain"]), "--out", "s.pdf")
        said = text_of((folder / "s.pdf").read_bytes()) if status == 0 else ""
        assert "Every limit of the plan was met" not in said
    assert "NOT KNOWN" in said


# --- the shop's own ------------------------------------------------------------------------------


def test_a_letterhead_and_a_template_of_the_shop(bench, capsys):
    folder, ids = bench
    status, out, _ = halfturn(capsys, "sheet", "template")
    assert status == 0
    sheets = folder / "sheets"
    assert {path.name for path in sheets.iterdir()} >= {"letterhead.toml", "sheet.typ", "parts.typ"}
    assert not list(sheets.glob("*frame.typ"))
    (sheets / "letterhead.toml").write_text(
        'name = "Mill Lane *Rebuilds*"\nline_1 = "#panic()"\n'
        'foot = "Come again."\npaper = "letter"\n'
    )
    own = (sheets / "sheet.typ").read_text()
    (sheets / "sheet.typ").write_text(own.replace("Every half-turn", "Each and every half-turn"))
    halfturn(capsys, "sheet", "make", str(ids["new"]), "--out", "s.pdf")
    said = text_of((folder / "s.pdf").read_bytes())
    for part in ("Mill Lane *Rebuilds*", "#panic()", "Come again.", "EACH AND EVERY HALF-TURN"):
        assert part in said
    assert said.count("SIMULATED") >= 3
    status, out, _ = halfturn(capsys, "sheet", "template")
    assert "nothing was changed" in out
    assert "Each and every" in (sheets / "sheet.typ").read_text()


@pytest.fixture
def full_disk():
    """Return a context in which no file can have more than so many bytes."""

    @contextmanager
    def at(most):
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

    return at


@pytest.mark.parametrize("most", [0, 2500])
def test_a_full_disk_leaves_no_template_half_written(bench, capsys, full_disk, most):
    from rig.sheets.letterhead import our_templates

    folder, ids = bench
    with full_disk(most):
        status, _, err = halfturn(capsys, "sheet", "template")
    assert (status, str(folder / "sheets") in err) == (4, True)
    ours = our_templates()
    for path in (folder / "sheets").iterdir():
        assert path.read_bytes() == ours[path.name]
    assert halfturn(capsys, "sheet", "make", str(ids["plain"]), "--out", "s.pdf")[0] == 0
    assert halfturn(capsys, "sheet", "template")[0] == 0
    assert (folder / "sheets" / "parts.typ").read_bytes() == ours["parts.typ"]


BAD = {
    "sheet.typ": [
        ("#let sheet(data) = {\n  nothing(data)\n}\n", "sheet.typ, line 2: unknown variable"),
        ("#let sheet(data) = [\n", "sheet.typ, line 1: unclosed"),
        ("\n#let sheet(data) = data.nothing\n", "sheet.typ, line 2: "),
        ("#let sheet(data) = {\n  set page(background: none)\n}\n", "line 2: a template does not"),
        ('#import "@preview/x:1.0.0": *\n', "line 1: packages from the network are not used"),
    ],
    "frame.typ": [("#let frame(data, body) = body\n", "cannot be replaced")],
    "label_frame.typ": [("#let label-frame(data, body) = body(data)\n", "cannot be replaced")],
    "label.typ": [
        ("#let label(data) = {\n  set page(width: 1cm)\n}\n", "line 2: a template does not")
    ],
    "letterhead.toml": [
        ('nmae = "x"\n', 'nmae: this key is not known (did you mean "name"?)'),
        ('logo = "../rig.toml"\n', "is no picture in this folder"),
        ('logo = "gone.png"\n', "is not there"),
        ('paper = "a5"\n', "a4 or letter"),
    ],
}


@pytest.mark.parametrize(
    ("name", "content", "says"), [(name, *case) for name, cases in BAD.items() for case in cases]
)
def test_a_mistake_in_the_shops_files_is_told_with_file_and_line(
    bench, capsys, name, content, says
):
    folder, ids = bench
    (folder / "sheets").mkdir()
    (folder / "sheets" / name).write_text(content)
    status, _, err = halfturn(capsys, "sheet", "make", str(ids["plain"]), "--out", "s.pdf")
    assert status == 4
    assert says in err
    assert not (folder / "s.pdf").exists()


# --- printing ------------------------------------------------------------------------------------


def printer(folder, status=0):
    """Return a program that notes how it was started, as print_with has it."""
    script = folder / "printer.py"
    script.write_text(
        "import json, sys\n"
        f"open({str(folder / 'printed.json')!r}, 'w').write(json.dumps(sys.argv[1:]))\n"
        f"print('out of paper', file=sys.stderr)\nsys.exit({status})\n"
    )
    return f"{sys.executable} {script} 'two words' ;touch ${{HOME}}"


def test_the_printing_program_is_started_without_a_shell(bench, capsys):
    folder, ids = bench
    with_sheets(folder, print_with=printer(folder), folder="out put")
    status, _, _ = halfturn(capsys, "sheet", "make", str(ids["plain"]), "--print")
    assert status == 0
    words = json.loads((folder / "printed.json").read_text())
    assert words[:3] == ["two words", ";touch", "${HOME}"]
    assert words[3].startswith(str(folder / "out put"))


def test_a_printer_that_fails_is_told_and_the_sheet_is_kept(bench, capsys):
    folder, ids = bench
    with_sheets(folder, print_with=printer(folder, status=9))
    status, _, err = halfturn(capsys, "sheet", "make", str(ids["plain"]), "--print")
    assert status == 4
    assert "ended with status 9: out of paper. The sheet is in" in err
    with_sheets(folder, print_with="no-such-program-here")
    status, _, err = halfturn(capsys, "sheet", "make", str(ids["plain"]), "--print")
    assert "no-such-program-here could not be started" in err
    assert len(list((folder / "logs" / "sheets").glob("*.pdf"))) == 1


def test_the_consoles_printer_says_where_it_is(bench):
    from rig.settings import load_settings
    from rig.sheets.printing import print_run

    folder, ids = bench
    records = folder / "logs" / "records.sqlite"
    said = print_run(load_settings(folder / "rig.toml"), records, ids["plain"])
    assert said.startswith(f"The sheet is in {folder / 'logs' / 'sheets'}")
    with_sheets(folder, print_with=printer(folder))
    said = print_run(load_settings(folder / "rig.toml"), records, ids["plain"])
    assert "was given to" in said
