"""Which package may import which, as DEVELOPERS.md draws it."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

# Package (dotted, longest match wins) -> what of our own it may import.
MAY = {
    # The decision rule is below the analysis, the rest of quality above it.
    "rig.analysis": {"rig.analysis", "rig.quality.decision"},
    "rig.quality.decision": {"rig.quality.decision"},
    "rig.quality": {"rig.quality", "rig.analysis"},
    # Where rig file and plan become budgets.
    "rig.quality.uncertainty": {
        "rig.quality",
        "rig.analysis",
        "rig.plans",
        "rig.plan_steps",
        "rig.settings",
        "drivers",
    },
    "drivers": {"drivers"},
    "rig.records": {
        "rig.records",
        "rig.analysis",
        "rig.quality",
        "rig.central_url",
        "rig.contract",
        "rig.labels",
    },
    "rig.central_url": set(),
    # The report of several benches: pure figures, and what gathers them from any records.
    "rig.overview": {
        "rig.overview",
        "rig.quality",
        "rig.records",
        "rig.lots.words",
        "rig.labels",
        "rig.plans",
        "rig.analysis.model",
    },
    "rig.overview.figures": {"rig.labels", "rig.quality"},
    # Out of the records and in: records alone, and what a sheet makes of them.
    "rig.exchange": {
        "rig",
        "rig.exchange",
        "rig.analysis",
        "rig.labels",
        "rig.records",
        "rig.run_values",
        "rig.sheets.measures",
        "rig.tracefile",
    },
    "rig.schema": {"rig.schema"},
    "rig.diagnosis": {
        "rig.diagnosis",
        "rig.analysis",
        "rig.records",
        "rig.contract",
        "rig.quality",
        "rig.feed_circuit",
        "rig.labels",
        "rig.plans",
        "rig.settings",
        "rig.schema",
    },
    # What leaves the shop is made of records alone: no bench, no console.
    "rig.sheets": {
        "rig.sheets",
        "rig.analysis",
        "rig.records",
        "rig.diagnosis",
        "rig.isolation.words",
        "rig.labels",
        "rig.lots",
        "rig.picture",
        "rig.plans",
        "rig.quality",
        "rig.schema",
        "rig.settings",
        "rig.studies",
        "rig.verdict_words",
        "rig.visual",
        "rig.wholefile",
    },
    "rig.bench": {
        "rig",
        "rig.bench",
        "rig.crowding",
        "rig.quality",
        "rig.references",
        "rig.analysis",
        "rig.records",
        "rig.plans",
        "rig.settings",
        "rig.visual",
        "rig.isolation",
        "rig.studies",
        "drivers",
    },
    "rig.run_values": {"rig.analysis", "rig.records", "rig.plans"},
    "rig.lots": {
        "rig.lots",
        "rig.quality",
        "rig.records",
        "rig.plans",
        "rig.labels",
        "rig.picture",
        "rig.studies",
    },
    "rig.studies": {
        "rig.studies",
        "rig.quality",
        "rig.analysis",
        "rig.records",
        "rig.run_values",
        "rig.plans",
        "rig.settings",
        "rig.labels",
        "drivers",
    },
    "rig.isolation.words": {"rig.isolation", "rig.analysis"},
    "rig.console": {
        "rig.console",
        "rig.bench",
        "rig.quality",
        "rig.references",
        "rig.standing",
        "rig.diagnosis",
        "rig.records",
        "rig.analysis",
        "rig.plans",
        "rig.plan_steps",
        "rig.plan_limits",
        "rig.plan_isolation",
        "rig.settings",
        "rig.schema",
        "rig.feasible",
        "rig.visual",
        "rig.labels",
        "rig.isolation",
        "rig.studies",
        "rig.lots",
        "rig.run_values",
        "drivers",
    },
}
LEARNING = {f"rig.isolation.{name}" for name in ("trial", "examples", "sampling", "train", "learn")}
# The one place in rig that knows the simulated world: units to learn from.
LEARNS_FROM = "rig.isolation.trial"
# The bench knows the hardware only by its drivers, never which world is behind them.
NEVER = {
    "rig": {"drivers.simulated", "drivers.pi"},
    # What is learnt ships as a file; how it was learnt is nobody's business at the bench.
    "rig.bench": LEARNING,
    # The console commands a bench and hears of it; whatever runs one is out of its reach.
    "rig.console": {
        *LEARNING,
        *(
            f"rig.bench.{name}"
            for name in ("session", "by_hand", "rig_check", "calibrating", "loop", "station")
        ),
        *(f"rig.bench.{name}" for name in ("steps", "stepping", "process", "power", "keeper")),
        *(f"rig.bench.{name}" for name in ("stepped", "isolation", "reasoning")),
        *(f"drivers.{name}" for name in ("feeds", "switches", "current", "supply")),
    },
}
# Pure packages: arrays in, dataclasses out; no clock, no file, no hardware.
PURE = ("rig.analysis", "rig.quality")
# A date that is given is a value; asking for today's is not pure (CLOCK).
IMPURE = {"time", "os", "pathlib", "io", "socket", "subprocess", "threading", "random"}
CLOCK = {"now", "today", "utcnow"}

MODULES = sorted([*(ROOT / "rig").rglob("*.py"), *(ROOT / "drivers").rglob("*.py")])


def dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module)
    return found


def inside(name: str, package: str) -> bool:
    return name == package or name.startswith(package + ".")


def forbidden(module: str, imported: set[str]) -> set[str]:
    ours = {name for name in imported if inside(name, "rig") or inside(name, "drivers")}
    packages = [package for package in MAY if inside(module, package)]
    bad = set()
    if packages:
        allowed = MAY[max(packages, key=len)]
        # "rig" alone allows the package's own __init__ (the version), not everything below it.
        bad |= {
            name
            for name in ours
            if not any(name == a if a == "rig" else inside(name, a) for a in allowed)
        }
    for package, never in NEVER.items():
        if module == LEARNS_FROM:
            continue
        if inside(module, package):
            bad |= {name for name in ours if any(inside(name, n) for n in never)}
    if any(inside(module, package) for package in PURE):
        bad |= {name for name in imported if name.split(".")[0] in IMPURE}
    return bad


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_a_module_imports_only_what_it_may(path):
    assert forbidden(dotted(path), imports(path)) == set()


def asks_a_clock(source: str) -> set[str]:
    tree = ast.walk(ast.parse(source))
    return {node.attr for node in tree if isinstance(node, ast.Attribute)} & CLOCK


@pytest.mark.parametrize(
    "path",
    [path for path in MODULES if any(inside(dotted(path), package) for package in PURE)],
    ids=dotted,
)
def test_a_pure_module_asks_no_clock(path):
    assert asks_a_clock(path.read_text()) == set()


def test_the_rule_itself_catches_what_it_should():
    assert asks_a_clock("from datetime import date\nlate = date.today() > due") == {"today"}
    assert forbidden("drivers.feeds", {"rig.bench"}) == {"rig.bench"}
    assert forbidden("rig.analysis.judge", {"time", "numpy"}) == {"time"}
    assert forbidden("rig.bench.loop", {"drivers.simulated.world"}) == {"drivers.simulated.world"}
    assert forbidden("rig.cli", {"drivers.pi"}) == {"drivers.pi"}
    up = "rig.quality.uncertainty"
    assert forbidden("rig.analysis.checks", {up, "rig.quality.decision"}) == {up}
    assert forbidden("rig.quality.decision", {"rig.analysis.model"}) == {"rig.analysis.model"}
    assert forbidden("rig.quality.instrument", {"rig.settings"}) == {"rig.settings"}
