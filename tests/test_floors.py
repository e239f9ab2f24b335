"""Imports only go down the floors of the house."""

from __future__ import annotations

import ast
from pathlib import Path

import cleanchain

ROOT = Path(cleanchain.__file__).parent
#: Floors from the ground up; a module imports from its own floor or from below.
FLOORS = (
    ("errors", "units", "threads", "apart", "fourier"),
    ("audio",),
    ("operators",),
    ("measure",),
    ("stages",),
    ("chain",),
    ("ledger",),
    ("account", "draws", "stand_ins", "filter_costs"),
    ("trial",),
    ("budget", "cost_limit", "demo", "precautions", "silences"),
    ("cleaning", "compare"),
    ("results",),
    ("presets", "receipts", "replay", "batch", "hearing_room", "exhibits"),
    ("report",),
    ("cli",),
)


def floor_of(module: str) -> int:
    part = module.split(".")[1]
    return next(level for level, parts in enumerate(FLOORS) if part in parts)


def imports_of(path: Path) -> list[str]:
    """Every module of the house that a file imports, at its top or inside a function."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if (
            isinstance(node, ast.ImportFrom)
            and node.module
            and node.module.startswith("cleanchain.")
        ):
            found.append(node.module)
        elif isinstance(node, ast.ImportFrom) and node.module == "cleanchain":
            found += [f"cleanchain.{name.name}" for name in node.names]
        elif isinstance(node, ast.Import):
            found += [name.name for name in node.names if name.name.startswith("cleanchain.")]
    return found


def climbing(path: Path, level: int) -> list[str]:
    return [name for name in imports_of(path) if floor_of(name) > level]


def test_imports_only_go_down() -> None:
    faults = {}
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        if parts[0] in ("__init__", "__main__"):
            continue
        if upward := climbing(path, floor_of(".".join(("cleanchain", *parts)))):
            faults[str(path.relative_to(ROOT))] = upward
    assert not faults


def test_the_test_sees_a_climbing_import(tmp_path: Path) -> None:
    broken = tmp_path / "broken.py"
    broken.write_text("def f():\n    from cleanchain.cli.main import main\n")
    assert climbing(broken, floor_of("cleanchain.audio.files")) == ["cleanchain.cli.main"]
