"""What fuzzing starts from: well-formed inputs for each target, and words that matter in them."""

from __future__ import annotations

import gzip
import re

from rig.exchange.fields import Kind, kept_tables
from rig.plans import shipped_plans
from rig.settings import starter_text

RIG = starter_text().encode()
PLANS = tuple(path.read_bytes() for path in shipped_plans())

HEADER = b"time_s,current_a,voltage_v,battery_feed,ignition_feed\n"


def small_trace(rows: int = 300, step_s: float = 0.01) -> bytes:
    """Return a trace of one half-turn that parks."""
    text = [
        f"{n * step_s:.4g},{14.0 if n == 50 else 2.3 if 50 < n < 125 else 0.0},12.5,1,{n >= 50:d}\n"
        for n in range(rows)
    ]
    return HEADER + "".join(text).encode()


NAME = b"Low Meadow,Bench Supply,0001,1.0\n"
NO_ERROR = b'0,"No error"\n'
TALK = (NAME, NAME, b"", NO_ERROR, b"12.0\n", b"", NO_ERROR, b"1\n", b"11.98\n", b"2.5E0\n",
        NO_ERROR, b"", NO_ERROR, b"0\n", NAME)  # fmt: skip
"""What a supply sends after each line of `fuzz_targets.scpi`, if all goes well."""

LABELS = ("LM-12-0417", "=1+1", "-0417", "+1", "@a", "'a", "\x1b[31m", "\u202e12", "a\u200bb",
          "../../x", "[b]x[/b]", "\x80", "x" * 65, "Ü 7", '","', "＝1")  # fmt: skip

_CELL = {
    Kind.TEXT: "qualify",
    Kind.KEY: "6a1f0000-0000-4000-8000-000000000001",
    Kind.WHOLE: "3",
    Kind.NUMBER: "-1.5e-05",
    Kind.NUMBER_OR_NAN: "NaN",
    Kind.FLAG: "true",
    Kind.MOMENT: "2026-03-02T08:15:30.123456Z",
    Kind.DAY: "2026-03-02",
    Kind.JSON: '"{""a"": [1, null]}"',
}


def small_table(number: int) -> bytes:
    """Return a table of an export with one row, and before it its number among them."""
    fields = kept_tables()[number].fields
    cells = [field.words[0] if field.words else _CELL[field.kind] for field in fields]
    lines = [",".join(field.name for field in fields), ",".join(cells), ""]
    return bytes([number]) + "\r\n".join(lines).encode()


TABLES = tuple(small_table(number) for number in range(len(kept_tables())))

SEEDS: dict[str, tuple[bytes, ...]] = {
    "plan": PLANS,
    "rig": (RIG,),
    "trace": (small_trace(), small_trace(60, 0.05), gzip.compress(small_trace(90), mtime=0)),
    "scpi": (b"\xff".join(TALK), b"\xff".join((NAME, b'-113,"Undefined header"\n') * 8)),
    "label": tuple(label.encode() for label in LABELS),
    "table": TABLES,
    "search": (b"LM\nJ-1\nqual\n2026-01-01\n2026-12-31\nfail", "ü\n\n\n2026-1-1".encode()),
}

WORDS: dict[str, tuple[bytes, ...]] = {
    "plan": tuple(sorted({w for text in PLANS for w in re.findall(rb"[a-z_]{4,}", text)})),
    "rig": tuple(sorted(set(re.findall(rb"[a-z_]{4,}", RIG)))),
    "trace": (
        b"nan",
        b"inf",
        b"1e308",
        b"-1e308",
        b"5e-324",
        b'"',
        b",",
        b"\n",
        b"\r\n",
        b"\x1f\x8b",
    ),
    "scpi": (b"\xff", b"\n", NO_ERROR, NAME, b"9.91E37", b"nan", b"1_0", b"ON", b"\r"),
    "label": (b"=", b"\xe2\x80\xae", b"\xef\xbb\xbf", b"\x1b", b"'"),
    "table": (b"NaN", b"INF", b"true", b'"', b"'", b"\r\n", b",", b"=", b"[[", b"1_0", b"9" * 20),
    "search": (b"none", b"pass", b"9999-12-31", b"0001-01-01", b"\xed\xb2\x80"),
}
