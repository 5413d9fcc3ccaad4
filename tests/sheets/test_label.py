"""A label of any size is refused in words, or its code is read back by a scanner."""

from __future__ import annotations

import io
import re
from contextlib import suppress
from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from paper import codes_in
from PIL import Image

from rig.sheets.code import SheetCode
from rig.sheets.label import LabelError, LabelSize, label_of
from rig.sheets.letterhead import Letterhead

HEAD = Letterhead("Low Meadow Pump Works")


@settings(max_examples=30)
@given(
    st.floats(8.0, 110.0),
    st.floats(5.0, 80.0),
    st.sampled_from([150.0, 180.0, 203.0, 300.0, 600.0]),
)
@example(62.0, 29.0, 300.0)
@example(23.5, 9.4, 300.0)
@example(30.0, 10.0, 203.0)
@example(24.0, 12.0, 203.0)
def test_a_label_scans_or_is_refused(store, made, width_mm, height_mm, dpi):
    run_id = made[1]["new"]
    run, checksum = store.run(run_id), store.checksum(run_id)
    if width_mm < 45.0 or height_mm < 15.0:
        with suppress(LabelError):
            png = label_of(run, checksum, LabelSize(width_mm, height_mm, dpi), HEAD)
            assert codes_in(png) == [SheetCode.of(run_id, checksum).text]
        return
    png = label_of(run, checksum, LabelSize(width_mm, height_mm, dpi), HEAD)
    assert codes_in(png) == [SheetCode.of(run_id, checksum).text]
    with Image.open(io.BytesIO(png)) as image:
        assert image.width == pytest.approx(width_mm * dpi / 25.4, abs=1.5)
        assert image.height == pytest.approx(height_mm * dpi / 25.4, abs=1.5)
        assert image.info["dpi"][0] == pytest.approx(dpi, rel=1e-3)


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


@pytest.mark.parametrize("name", ["new", "interrupted", "unfinished"])
def test_what_is_no_result_is_no_plain_verdict_on_a_label(store, made, name, monkeypatch):
    """The label's text is what its template is given, since no program here reads pictures."""
    import rig.sheets.label as module

    given_data = []

    def see(kind, data, *rest, **more):
        given_data.append(data)
        return [b""]

    monkeypatch.setattr(module, "set_pages", see)
    run = store.run(made[1][name])
    label_of(run, "0" * 64, LabelSize(), HEAD)
    (data,) = given_data
    assert data["marks"]


def test_a_serial_without_end_is_refused_or_fits(store, made):
    run = store.run(made[1]["pass"])
    long = replace(run, start=replace(run.start, unit_serial="W" * 64))
    with pytest.raises(LabelError, match=r"do not fit beside the code on 30 x 12 mm"):
        label_of(long, "0" * 64, LabelSize(30.0, 12.0, 300.0), HEAD)
    assert label_of(long, "0" * 64, LabelSize(100.0, 50.0, 300.0), HEAD)


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
