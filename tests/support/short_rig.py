"""A rig folder whose one plan is short and whose bench is simulated: for many runs of commands."""

from __future__ import annotations

from study_runs import PLAN_TEXT

from rig.settings import starter_text


def short_rig(folder, *, sample_hz=250, every_days=0, refuse=False):
    """Make it; ``every_days`` and ``refuse`` are those of `[golden]`."""
    text = starter_text()
    for old, new in (
        ("sample_hz = 1000", f"sample_hz = {sample_hz}"),
        ("every_days = 0", f"every_days = {every_days}"),
        ("refuse = false", f"refuse = {str(refuse).lower()}"),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "rig.toml").write_text(text)
    (folder / "test_plans").mkdir()
    (folder / "test_plans" / "short.toml").write_text(PLAN_TEXT)
    return folder
