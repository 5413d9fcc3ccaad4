"""What two ways to type a label or a name have in common."""

from __future__ import annotations

import sys
import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from rig.labels import name_key, serial_key


def test_every_dash_of_unicode_is_one():
    """Category Pd as Python's copy of the Unicode character database has it."""
    dashes = [c for c in map(chr, range(sys.maxunicode + 1)) if unicodedata.category(c) == "Pd"]
    assert len(dashes) > 20
    for dash in (*dashes, "\N{MINUS SIGN}", "\N{SOFT HYPHEN}", " ", "\N{IDEOGRAPHIC SPACE}"):
        assert serial_key(f"SIM{dash}7") == serial_key("sim-7"), hex(ord(dash))
    assert serial_key("1-11") != serial_key("11-1") != serial_key("111")


@given(st.text(max_size=12))
def test_what_is_left_of_a_name_is_left_of_itself(text):
    for key in (name_key, serial_key):
        assert key(key(text)) == key(text) == key(f" {text}  ")
