"""Bad input as it comes: files with things wrong in them, replies, labels, words."""

from __future__ import annotations

import gzip
from collections.abc import Callable

from fuzz_seeds import HEADER, LABELS, PLANS, RIG, TABLES, TALK, WORDS, small_trace
from hypothesis import strategies as st

# --- TOML -------------------------------------------------------------------------------------

VALUES = st.sampled_from(
    [
        "nan", "inf", "-inf", "1e999", "1e-400", "0", "-1", "9" * 50, "9" * 5000, "0x" + "f" * 400,
        "true", '""', '"x"', '"' + "x" * 5000 + '"', '"\\u202e"', '"\\u0000"', '"\\uD800"', "[]",
        "[[8, 1], [8, 1]]", "[[1e308, 1], [1.1e308, 1]]", "{}", "{a = {a = {a = 1}}}",
        "[" * 60 + "]" * 60, "1979-05-27T07:32:00Z", "12:00", "'''\n'''", '"""a\nb"""', "",
    ]
)  # fmt: skip
LINES = st.sampled_from(
    [
        "[[step]]", "[[station]]", "[unit]", "[unit.x]", "[limits]", "[limits.stall_s]", "[]",
        'kind = "jam"', "kind = 1", "step = 1", "station = [1]", "supply = {}", "a.b.c = 1", "= 1",
        '"" = 1', '"[b]" = 1', "'\x1b' = 1", "\x00", "\x85", "\u2028", "# \u202e", "x" * 3000,
        "a = " + "[" * 2000, "[" + "a." * 500 + "a]",
    ]
)  # fmt: skip


def _cr_lf(text: str) -> bytes:
    return text.replace("\n", "\r\n").encode("utf-8", "surrogatepass")


ENCODINGS: tuple[Callable[[str], bytes], ...] = (
    _cr_lf,
    lambda text: text.replace("\n", "\r").encode("utf-8", "surrogatepass"),
    lambda text: text.encode("utf-8-sig", "surrogatepass"),
    lambda text: text.encode("utf-16", "surrogatepass"),
    lambda text: (text + "ü").encode("latin-1", "replace"),
    lambda text: text.encode("utf-8", "surrogatepass") + b"\xff",
    lambda text: b"\xef\xbb\xbf" * 2 + text.encode("utf-8", "surrogatepass"),
)


@st.composite
def damaged_toml(draw: st.DrawFn, texts: tuple[bytes, ...] = (RIG, *PLANS)) -> bytes:
    """A shipped file with lines dropped, doubled, moved, keys retyped, in a wrong encoding."""
    lines = draw(st.sampled_from(texts)).decode().split("\n")
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(["value", "value", "drop", "double", "move", "line", "key"])):
            case "value" if "=" in lines[at]:
                lines[at] = f"{lines[at].split('=')[0]}= {draw(VALUES)}"
            case "drop":
                del lines[at]
            case "double":
                lines.insert(at, lines[at])
            case "move":
                lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(at))
            case "key" if "=" in lines[at]:
                lines[at] = draw(st.text(max_size=5)) + lines[at]
            case _:
                lines.insert(at, draw(LINES))
        lines = lines or [""]
    text = "\n".join(lines)
    if draw(st.integers(0, 4)):
        return text.encode("utf-8", "surrogatepass")
    return draw(st.sampled_from(ENCODINGS))(text)


# --- traces -----------------------------------------------------------------------------------

CELLS = st.sampled_from(
    ["", " ", "nan", "inf", "-inf", "1e308", "-1e308", "1e400", "5e-324", "-0", "1_0", "0x1", "٣",
     "1,5", '"1.5"', '"', '""', "1;2", "\x00", "\r", "9" * 400, "x" * 5000, "2", "0.5", "\ufeff1"]
)  # fmt: skip
NAMES = st.sampled_from(
    ["time_s", "current_a", "", "note", "sensor_flags", "note_2", "=1", "\x1b", "a" * 3000, '"a,b"']
)


@st.composite
def damaged_trace(draw: st.DrawFn) -> bytes:
    """A trace with cells, rows and columns that are wrong, packed or not, whole or cut off."""
    rows = [line.split(",") for line in small_trace(draw(st.sampled_from([1, 3, 80]))).decode()[:-1]
            .split("\n")]  # fmt: skip
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(rows) - 1))
        match draw(
            st.sampled_from(["cell", "cell", "drop", "double", "column", "header", "scale"])
        ):
            case "drop":
                del rows[at]
            case "double":
                rows.insert(at, list(rows[at]))
            case "column":
                name, cell = draw(NAMES), draw(CELLS)
                rows = [[*row, cell if n else name] for n, row in enumerate(rows)]
            case "header":
                rows.insert(at, HEADER.decode().strip().split(","))
            case "scale":
                column, by = draw(st.integers(0, 2)), draw(st.sampled_from([1e-300, 1e9, 1e305]))
                for row in rows[1:]:
                    if len(row) > column and row[column].replace(".", "").isdigit():
                        row[column] = f"{float(row[column]) * by:.6g}"
            case _:
                rows[at][draw(st.integers(0, len(rows[at]) - 1))] = draw(CELLS)
        rows = rows or [[""]]
    data = "\n".join(map(",".join, rows)).encode("utf-8", "surrogatepass")
    match draw(st.sampled_from(["text", "text", "text", "packed", "cut", "not packed", "utf-16"])):
        case "packed":
            return gzip.compress(data, mtime=0)
        case "cut":
            packed = gzip.compress(data, mtime=0)
            return packed[: draw(st.integers(2, len(packed) - 1))]
        case "not packed":
            return b"\x1f\x8b" + data
        case "utf-16":
            return data.decode("utf-8", "replace").encode("utf-16")
        case _:
            return data


# --- replies ----------------------------------------------------------------------------------

REPLIES = st.one_of(
    st.binary(max_size=30),
    st.sampled_from(
        [*TALK, b"\n", b"\r\n", b"x", b"1_2\n", b"nan\n", b"9.91E37\n", b"inf\n", b"1e999\n",
         b"1", b"-113,\n", b'-113,"Undefined\x1b[31m header"\n', b'99999999999,"x"\n', b"x" * 5000,
         b"12.0\n12.0\n", b"\x00\n", b"\xfe\n", b"ON\n", b"on \r\n", b"0.4\n", b'-350,"x"\n']
    ),
)  # fmt: skip


@st.composite
def talks(draw: st.DrawFn) -> bytes:
    """What a supply sends: as it should be with some of it wrong, or cut up anywhere."""
    talk = list(TALK) * 2
    for _ in range(draw(st.integers(0, 4))):
        talk[draw(st.integers(0, len(TALK)))] = draw(REPLIES)
    if draw(st.booleans()):
        whole = b"".join(talk)
        cuts = sorted(draw(st.lists(st.integers(0, len(whole)), max_size=20)))
        talk = [whole[a:b] for a, b in zip([0, *cuts], [*cuts, len(whole)], strict=True)]
    return b"\xff".join(piece.replace(b"\xff", b"\xfe") for piece in talk)


# --- labels and words -------------------------------------------------------------------------

ODD = "\x00\x07\x1b\x7f\x80\x9b\xa0\u00ad\u200b\u200e\u202e\u2066\u2028\ufeff\ufffe\U000e0041"

labels = st.one_of(
    st.sampled_from([label.encode() for label in LABELS]),
    st.text(max_size=70).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.text(st.sampled_from("A1-=+@'\",;/\\[]%_ " + ODD), max_size=20).map(str.encode),
    st.binary(max_size=20),
    st.just(b"x" * 10_000),
)
"""Serials as a scanner or a shell may bring them, as bytes."""

words = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["2026-11-25", "9999-12-31", "0001-01-01", "2026-2-30", "fail", "none", "%", "_"]
    ),
)
searches = st.lists(words, max_size=6).map(
    lambda parts: "\n".join(parts).encode("utf-8", "surrogatepass")
)


@st.composite
def damaged_tables(draw: st.DrawFn) -> bytes:
    """A table of an export with cells, rows and single bytes that are wrong."""
    data = draw(st.sampled_from(TABLES))
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(1, len(data) - 1))
        change = draw(st.sampled_from(WORDS["table"]) | st.binary(max_size=3))
        data = data[:at] + change + data[at + draw(st.integers(0, 4)) :]
    return data
