"""A short plan's sheet is one page, with a shop's whole letterhead; what is long is not torn."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from at_the_prompt import halfturn
from paper import pages_of, text_of

from rig.records.store import Store
from rig.sheets.letterhead import letterhead_in
from rig.sheets.of_record import document_of

PLAN = Path(__file__).parents[2] / "test_plans" / "incoming.toml"
LOGO = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="200" height="60">'
    '<rect width="200" height="60"/></svg>'
)
NAME = "Low Meadow Pump Works and Actuator Rebuilds"
LINES = (
    "Mill Lane 4",
    "Low Meadow, on the road to the Upper Meadow, behind the old mill",
    "rebuilds of irrigation-pump actuators",
    "works@lowmeadow.example",
)


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """Return a rig folder's letterhead with all that it can have."""
    folder = tmp_path_factory.mktemp("shop")
    (folder / "sheets").mkdir()
    (folder / "sheets" / "logo.svg").write_text(LOGO)
    lines = "\n".join(f'line_{n} = "{line}"' for n, line in enumerate(LINES, 1))
    (folder / "sheets" / "letterhead.toml").write_text(
        f'name = "{NAME}"\n{lines}\nlogo = "logo.svg"\nfoot = "Questions: show this sheet."\n'
    )
    return letterhead_in(folder, "")


@pytest.mark.parametrize(("faults", "verdict"), [((), "PASS"), (("dry-gear",), "FAIL")])
def test_a_sheet_of_an_incoming_inspection_is_one_page(
    capsys, tmp_path, monkeypatch, shop, faults, verdict
):
    """The plan that ships, with a long serial number, a lot and every line of a letterhead."""
    monkeypatch.chdir(tmp_path)
    words = [part for name in faults for part in ("--fault", name)]
    unit = ("--unit", "LM-12-0417-B-REBUILT-2026", "--reference", "L-2209/4 of the spring lot")
    run = ("--backend", "simulated", "--accept-cautions", "--records", "r.sqlite", "--quiet")
    halfturn(capsys, "run", str(PLAN), *unit, *run, *words)
    with Store.open(tmp_path / "r.sqlite") as store:
        record = store.run(store.runs()[0].run_id)
        for paper in ("a4", "letter"):
            document = document_of(store, record, shop, paper)
            assert document.data["standing"]["word"] == verdict
            assert len(document.pages(40.0)) == 1, paper
        said = text_of(document.pdf())
    assert str(record.run_id) in said
    assert "Questions: show this sheet." in said


def test_no_caption_is_left_alone_on_a_page(store, made, tmp_path):
    """A picture and its caption stay together, wherever the page ends."""
    document = document_of(store, store.run(made[1]["pass"]), letterhead_in(tmp_path, "A shop"))
    (tmp_path / "sheets").mkdir()
    for above_mm in range(208, 221, 3):
        own = (
            f'#import "parts.typ": figure-of\n#let sheet(data) = {{ v({above_mm}mm); '
            "figure-of(data.trace.svg, data.trace.caption) }\n"
        )
        (tmp_path / "sheets" / "sheet.typ").write_text(own)
        own = replace(document, letterhead=letterhead_in(tmp_path, "A shop"))
        pages = pages_of(own.pdf())
        (page,) = [page for page in pages if "Grey bars" in page]
        assert "time, s" in page, above_mm


def test_a_name_is_not_squeezed_by_a_long_address(store, made, shop):
    """It stands on one line, whatever stands beside or below it."""
    run = store.run(made[1]["plain"])
    for lines in (LINES, LINES[:1]):
        head = replace(shop, logo="", lines=lines)
        first, *_ = pages_of(document_of(store, run, head).pdf())
        assert any(NAME in line for line in first.splitlines())
        assert all(line in first for line in lines)


def test_a_shops_template_may_break_pages(store, made, tmp_path):
    (tmp_path / "sheets").mkdir()
    own = "#let sheet(data) = { data.serial; pagebreak(); data.serial }\n"
    (tmp_path / "sheets" / "sheet.typ").write_text(own)
    document = document_of(store, store.run(made[1]["plain"]), letterhead_in(tmp_path, "A shop"))
    assert len(document.pages(40.0)) == 2
