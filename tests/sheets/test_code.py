"""The code of a sheet: what is typed or scanned comes back, and a slip is noticed."""

from __future__ import annotations

from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.sheets.code import CodeError, SheetCode, check_character, read_code

SIGNS = "0123456789ABCDEF"
CODES = st.builds(
    SheetCode, st.uuids(), st.text(alphabet="0123456789abcdef", min_size=20, max_size=20)
)


def test_the_check_character_is_that_of_iso_7064():
    # The Global Release Identifier's own worked example, A1-2425G-ABC1234002-M, checked by
    # ISO/IEC 7064 MOD 37,36 (IFPI, GRid Standard v2.1).
    assert check_character("A12425GABC1234002") == "M"


@given(CODES)
def test_a_code_comes_back_scanned_or_typed(code):
    assert read_code(code.text) == code
    assert read_code(code.printed) == code
    typed = code.text.lower().replace(":", " - ").replace("0", "o").replace("1", "l")
    assert read_code(f"HT1 {typed[3:]}") == code


@given(CODES, st.sampled_from("0O1IL"))
def test_a_check_character_is_read_as_what_it_looks_like_and_said_to_be_so(code, typed):
    alike = next(signs for signs in ("0O", "1IL") if typed in signs)
    text = code.text[:-1] + typed
    if code.text[-1] in alike:
        assert read_code(text) == code
        assert read_code(text).unsure == (code.text[-1] != typed)
    else:
        with pytest.raises(CodeError, match="mistyped"):
            read_code(text)


@given(CODES)
def test_a_code_is_in_the_alphanumeric_set_and_fits_version_3_m(code):
    # ISO/IEC 18004: 61 alphanumeric characters in version 3 at level M.
    assert len(code.text) <= 61
    assert set(code.text) <= set("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:")


@given(CODES, st.integers(4, 57), st.sampled_from(SIGNS))
def test_every_single_slip_is_noticed(code, at, other):
    text = code.text
    if text[at] in (":", other):
        return
    try:
        found = read_code(text[:at] + other + text[at + 1 :])
    except CodeError:
        return
    # Its check character is an O for a zero, or the like: such a code has to fit a record.
    assert found.unsure


@given(CODES, st.integers(0, 50))
def test_a_part_of_a_code_is_none(code, length):
    with pytest.raises(CodeError, match=r"characters after HT1|begin with HT1"):
        read_code(code.text[:length])


@given(st.text(max_size=80))
def test_whatever_else_is_typed_is_none(text):
    with pytest.raises(CodeError, match=r"\w"):
        read_code(text)


def test_a_checksum_fits_by_its_beginning():
    code = SheetCode.of(UUID(int=7), "ab" * 32)
    assert code.fits("ab" * 32)
    assert code.fits("ab" * 10 + "0" * 44)
    assert not code.fits("ab" * 9 + "ac" + "ab" * 22)
