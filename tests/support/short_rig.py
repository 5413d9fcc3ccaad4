"""A rig folder whose one plan is short and whose bench is simulated: for many runs of commands."""

from __future__ import annotations

from study_runs import PLAN_TEXT

from rig.settings import starter_text


def short_rig(folder, extra=""):
    """Make it; ``extra`` is put into the rig file."""
    text = starter_text().replace("[control]", f"{extra}\n[control]", 1)
    slow = text.replace("sample_hz = 1000", "sample_hz = 250")
    assert slow != text
    (folder / "rig.toml").write_text(slow.replace('backend = "pi"', 'backend = "simulated"'))
    (folder / "test_plans").mkdir()
    (folder / "test_plans" / "short.toml").write_text(PLAN_TEXT)
    return folder
