"""A label of any size is refused in words, or its code is read back by a scanner."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from paper import codes_in, text_of, words_in
from PIL import Image

from rig.sheets.code import SheetCode
from rig.sheets.label import LabelError, LabelSize, label_of
from rig.sheets.letterhead import LABEL, Letterhead, letterhead_in
from rig.sheets.setting import set_pages, set_pdf

HEAD = Letterhead("Low Meadow Pump Works")


SERIALS = st.one_of(
    st.just("LM-12-0288"),
    st.text(alphabet="W1-", min_size=1, max_size=64).map(lambda text: text.strip() or "W"),
    st.text(
        alphabet=st.characters(max_codepoint=0x24F, exclude_categories=("C", "Z")),
        min_size=1,
        max_size=64,
    ),
)


@settings(max_examples=25)
@given(
    st.floats(8.0, 110.0),
    st.floats(5.0, 80.0),
    st.sampled_from([150.0, 180.0, 203.0, 300.0, 600.0]),
    SERIALS,
    st.sampled_from(["new", "pass", "interrupted", "unfinished"]),
    st.booleans(),
)
@example(62.0, 29.0, 300.0, "LM-12-0288", "new", False)
@example(23.5, 9.4, 300.0, "LM-12-0288", "new", False)
@example(30.0, 10.0, 203.0, "LM-12-0288", "new", False)
@example(24.0, 12.0, 203.0, "LM-12-0288", "new", False)
@example(62.0, 29.0, 300.0, "PUMP2026WORKSHOPUNIT0001", "new", False)
@example(62.0, 29.0, 300.0, "PUMP2026WORKSHOPUNIT0001", "interrupted", True)
@example(57.0, 32.0, 203.0, "W" * 28, "pass", False)
def test_a_label_scans_or_is_refused(
    store, made, width_mm, height_mm, dpi, serial, name, simulated
):
    run_id = made[1][name]
    run, checksum = store.run(run_id), store.checksum(run_id)
    simulated = simulated or run.start.simulated
    run = replace(run, start=replace(run.start, unit_serial=serial, simulated=simulated))
    try:
        png = label_of(run, checksum, LabelSize(width_mm, height_mm, dpi), HEAD)
    except LabelError:
        assert width_mm < 45.0 or height_mm < 15.0 or (len(serial) > 12 and width_mm < 60.0)
        return
    assert codes_in(png) == [SheetCode.of(run_id, checksum).text]
    with Image.open(io.BytesIO(png)) as image:
        assert image.width == pytest.approx(width_mm * dpi / 25.4, abs=1.5)
        assert image.height == pytest.approx(height_mm * dpi / 25.4, abs=1.5)
        assert image.info["dpi"][0] == pytest.approx(dpi, rel=1e-3)


@pytest.mark.parametrize("serial", ["LM-12-0288", "PUMP2026WORKSHOPUNIT0001", "W" * 40, "A " * 20])
@pytest.mark.parametrize("name", ["new", "interrupted"])
def test_every_word_stands_whole_beside_the_code(store, made, seen, name, serial):
    """Where the words are, poppler tells; a serial is broken only if it is wider than the room."""
    run = store.run(made[1][name])
    data = seen(replace(run, start=replace(run.start, unit_serial=serial)), LabelSize())
    pdf = set_pdf(LABEL, data, HEAD, run.start.started_at)
    words = words_in(pdf)
    text = "".join(word for word, _ in words)
    for part in (serial, "LM-12", HEAD.name, *data["marks"]):
        assert part.replace(" ", "") in text
    quiet_pt = 4 * data["qr_pt"] / 29
    assert max(right_pt for _, right_pt in words) <= data["qr_x_pt"] - quiet_pt + 0.01
    assert (serial in [word for word, _ in words]) == (len(serial) == 10)


@pytest.mark.parametrize("dpi", [203.0, 300.0])
def test_the_code_has_whole_dots_and_its_quiet_zone(store, made, dpi):
    """ISO/IEC 18004: four modules of white around it; every module of the same dots."""
    run_id = made[1]["pass"]
    png = label_of(store.run(run_id), store.checksum(run_id), LabelSize(50.0, 20.0, dpi), HEAD)
    with Image.open(io.BytesIO(png)) as image:
        grey = image.convert("L")
    size = LabelSize(50.0, 20.0, dpi)
    module = size.module_dots(29)
    side = 29 * module
    left = grey.width - side - 4 * module
    top = (grey.height - side) // 2
    code = grey.crop((left, top, left + side, top + side))
    assert set(code.tobytes()) == {0, 255}
    # The finder pattern's side is seven dark modules (ISO/IEC 18004, 6.3.3).
    row = [code.getpixel((x, 0)) for x in range(8 * module)]
    assert row == [0] * (7 * module) + [255] * module
    beside = grey.crop((left - 4 * module, top - 4 * module, left, top + side + 4 * module))
    assert set(beside.tobytes()) == {255}


@pytest.fixture
def seen(monkeypatch):
    """Return what gives the data that a label's template is given."""
    import rig.sheets.label as module

    given_data = []

    def see(kind, data, *rest):
        given_data.append(data)
        return [b""]

    def data_of(run, size):
        with monkeypatch.context() as patch:
            patch.setattr(module, "set_pages", see)
            label_of(run, "0" * 64, size, HEAD)
        return given_data[-1]

    return data_of


# What a shop may put into its label.typ, whatever it means by it.
OF_A_SHOP = {
    "nothing": "#let label(data) = []\n",
    "plain": "#let label(data) = [#data.serial passed]\n",
    "over everything": "#let label(data) = place(\n  top + left, dx: -10cm, dy: -10cm,\n"
    "  rect(width: 30cm, height: 30cm, fill: white),\n)\n",
    "black": "#let label(data) = box(width: 30cm, height: 1mm, fill: black)\n",
    "white": "#let label(data) = {\n  set text(fill: white)\n  data.serial\n}\n",
}


@pytest.mark.parametrize("own", OF_A_SHOP)
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("new", ["PASS", "SIMULATED"]),
        ("interrupted", ["RETEST", "INTERRUPTED"]),
        ("unfinished", ["NO VERDICT", "UNFINISHED"]),
    ],
)
def test_no_template_takes_verdict_mark_or_code_off_a_label(
    store, made, seen, tmp_path, name, words, own
):
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "label.typ").write_text(OF_A_SHOP[own])
    (tmp_path / "sheets" / "style.typ").write_text("#let ink = white\n")
    shop = letterhead_in(tmp_path, "Low Meadow Pump Works")
    run, data = store.run(made[1][name]), seen(store.run(made[1][name]), LabelSize())
    said = text_of(set_pdf(LABEL, data, shop, run.start.started_at))
    assert all(word in said for word in words)
    png = label_of(run, "0" * 64, LabelSize(), shop)
    assert codes_in(png) == [data["code"]]
    # Verdict and marks are seen too: as much black stands there as without anything else.
    empty = {**data, "serial": "", "type": "", "date": "", "record": "", "shop": ""}
    assert ink_beside_the_code(png, data) >= 0.8 * ink_beside_the_code(
        set_pages(LABEL, empty, HEAD, 300.0)[0], data
    )


def ink_beside_the_code(png, data):
    """Return how many dots are black left of the code."""
    with Image.open(io.BytesIO(png)) as image:
        grey = image.convert("L")
    left = grey.crop((0, 0, int(data["text_pt"] * 300 / 72), grey.height))
    return sum(left.histogram()[:128])


def test_a_serial_without_end_is_refused_or_fits(store, made):
    run = store.run(made[1]["pass"])
    long = replace(run, start=replace(run.start, unit_serial="W" * 64))
    with pytest.raises(LabelError, match=r"do not fit beside the code on 30 x 12 mm"):
        label_of(long, "0" * 64, LabelSize(30.0, 12.0, 300.0), HEAD)
    assert label_of(long, "0" * 64, LabelSize(100.0, 50.0, 300.0), HEAD)


def test_how_wide_it_is_to_be_is_said_and_is_enough(store, made):
    run = store.run(made[1]["slow"])
    with pytest.raises(LabelError) as refused:
        label_of(run, "0" * 64, LabelSize(27.0, 12.0, 300.0), HEAD)
    (asked,) = re.findall(r"it is to be (\d+) mm wide at least", str(refused.value))
    assert label_of(run, "0" * 64, LabelSize(float(asked), 12.0, 300.0), HEAD)
    with pytest.raises(LabelError, match="do not fit"):
        label_of(run, "0" * 64, LabelSize(float(asked) - 1.0, 12.0, 300.0), HEAD)


@pytest.mark.parametrize(
    ("size", "says"),
    [
        ((20.0, 10.0, 300.0), r"no room for a code .* 9\.\d mm high and 2\d\.\d mm wide at least"),
        ((62.0, 29.0, 90.0), "100 to 1200 dots an inch"),
        ((62.0, 290.0, 50.0), "dots an inch"),
        ((400.0, 29.0, 300.0), "up to 300 mm"),
        ((-1.0, 29.0, 300.0), "up to 300 mm"),
    ],
)
def test_what_is_no_label_is_refused_in_words(store, made, size, says):
    with pytest.raises(LabelError, match=says):
        label_of(store.run(made[1]["pass"]), "0" * 64, LabelSize(*size), HEAD)


@pytest.mark.parametrize("dpi", [180.0, 203.0, 300.0, 600.0])
def test_the_size_it_asks_for_is_enough(dpi):
    with pytest.raises(LabelError) as refused:
        LabelSize(20.0, 8.0, dpi).module_dots(29)
    asked = re.search(r"to be ([\d.]+) mm high and ([\d.]+) mm wide", str(refused.value))
    high_mm, wide_mm = map(float, asked.groups())
    assert LabelSize(wide_mm, high_mm, dpi).module_dots(29) >= 2
    with pytest.raises(LabelError):
        LabelSize(wide_mm, high_mm - 0.3, dpi).module_dots(29)
