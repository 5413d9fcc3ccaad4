"""What the guest found, as a table."""

from __future__ import annotations

from typing import Any


def as_markdown(found: dict[str, Any], took_s: float) -> str:
    """Return the report: a row for each rule, then what was printed in between."""
    rows = found["checks"]
    kept = sum(row["ok"] for row in rows)
    lines = [
        f"# The `pi` backend near the kernel: {kept} of {len(rows)} rules kept",
        "",
        f"Linux {found.get('kernel', '?')} in a virtual machine, sampled at "
        f"{found.get('sample_hz', '?')} Hz, {took_s:.0f} s in all.",
        "",
        "| what was done | rule | seen | kept |",
        "|---|---|---|---|",
    ]
    before = ""
    for row in rows:
        name = row["scenario"] if row["scenario"] != before else ""
        before = row["scenario"]
        lines.append(f"| {name} | {row['rule']} | {row['seen']} | {'yes' if row['ok'] else 'NO'} |")
    for note in found["notes"]:
        lines += ["", f"{note['scenario']}:", "", *(f"    {x}" for x in note["text"].splitlines())]
    if not found["complete"]:
        lines += ["", "NOT COMPLETE. The guest failed:", "", found.get("failure", "no word of why")]
    return "\n".join(lines)
