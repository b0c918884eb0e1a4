"""The house itself: who may import whom, what stands where, and that style and types hold."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "qc", "rules", "tests", "sample_data"}

LAYERS = [
    {"qc.version", "qc.errors", "qc.places", "qc.threads"},
    {"qc.durations", "qc.tomlfile", "qc.quantities", "qc.units", "qc.limits", "qc.read.stamps", "qc.read.clock"},
    {"qc.station", "qc.physics"},
    {"qc.read.lines", "qc.read.cells", "qc.read.numbers", "qc.read.layout", "qc.read.file"},
    {"qc.moments", "qc.logs", "qc.record", "qc.sky", "qc.verdicts"},
    {"qc.write.page"},
    {"qc.neighbours", "qc.write.picture"},
    {"qc.read.tables", "qc.read.source", "qc.scene", "qc.gaps", "qc.injection"},
    {"qc.mends"},
    {"qc.case"},
    {"qc.firstlight", "qc.copied"},
    {"qc.checks", "qc.faults", "qc.ratios"},
    {"qc.chain"},
    {"qc.corrected", "qc.diagnosis"},
    {"qc.episodes"},
    {"qc.write", "qc.borders", "qc.draft"},
    {"qc.run", "qc.why"},
    {"qc.run_diagnosis", "qc.rehearsal"},
    {"qc.archive"},
    {"qc.delivery"},
    {"qc.write.terminal", "qc.write.explained", "qc.write.rehearsed"},
    {"qc.cli"},
]
"""Each may import from its own row and the rows above."""


def _layer(module: str) -> int:
    """The row of a module: that of its longest listed prefix."""
    rows = [
        (len(name), row) for row, names in enumerate(LAYERS) for name in names if f"{module}.".startswith(f"{name}.")
    ]
    return max(rows, default=(0, -1))[1]


def _modules() -> list[tuple[str, Path]]:
    found = []
    for path in sorted((ROOT / "qc").rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found.append((".".join(parts[:-1] if parts[-1] == "__init__" else parts), path))
    return found


def _imports(path: Path) -> set[str]:
    tree = ast.parse(path.read_text("utf-8"))
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "qc":
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name.split(".")[0] == "qc"}
    return found


PLACED = [m for m in _modules() if m[0] not in ("qc", "qc.read", "qc.__main__")]
"""Doors that load what is asked for stand outside the rows."""


@pytest.mark.parametrize(("module", "path"), PLACED, ids=[name for name, _ in PLACED])
def test_imports_point_one_way(module: str, path: Path) -> None:
    own = _layer(module)
    assert own >= 0, f"{module} has no place in the house: put it into LAYERS"
    for name in _imports(path):
        assert _layer(name) <= own, f"{module} imports {name}, which stands above it"


FAULTS = {name for name, _ in _modules() if name.startswith("qc.faults.")}


@pytest.mark.parametrize("module", sorted(FAULTS))
def test_faults_import_neither_each_other_nor_a_check(module: str) -> None:
    own = ".".join(module.split(".")[:3])  # a large one is a folder
    found = {".".join(name.split(".")[:3]) for name in _imports(dict(_modules())[module])} - {own}
    assert not found & (FAULTS | CHECKS)


CHECKS = {name for name, _ in _modules() if name.startswith("qc.checks.")}


@pytest.mark.parametrize("module", sorted(CHECKS))
def test_checks_never_import_each_other(module: str) -> None:
    path = ROOT / Path(*module.split(".")).with_suffix(".py")
    found = {".".join(name.split(".")[:3]) for name in _imports(path)} & CHECKS
    assert not found


def test_top_level_holds_what_it_should() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= TOP


@pytest.mark.parametrize(
    "tool", [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]], ids=["ruff", "format", "mypy"]
)
def test_style_and_types(tool: list[str]) -> None:
    done = subprocess.run([sys.executable, "-m", *tool], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-1000:]
