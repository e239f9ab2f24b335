"""The table of faults names a test for each of them, and no test that is not there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

TESTS = Path(__file__).parent
TABLE = TESTS / "faults.md"
ROWS = re.findall(r"^\| (\d+) \| (.+?) \| (.+?) \|$", TABLE.read_text(encoding="utf-8"), re.M)


def collected() -> dict[str, set[str]]:
    """Names of the test functions of each file that pytest collects."""
    found = {}
    for path in TESTS.rglob("test_*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}
        tests = {name for name in names if name.startswith("test_")}
        found[str(path.relative_to(TESTS))] = tests
    return found


def listed(cell: str) -> list[tuple[str, str]]:
    """(file, test) pairs of a cell."""
    pairs = [one.split("::") for one in re.findall(r"`([^`]+)`", cell)]
    return [(path, name) for path, name in pairs]


def test_every_fault_has_its_row() -> None:
    assert [int(number) for number, _, _ in ROWS] == list(range(1, 45))


def test_every_row_names_a_test_of_its_number() -> None:
    for number, fault, cell in ROWS:
        names = [name for _, name in listed(cell)]
        assert any(f"fault_{int(number):02d}_" in name for name in names), (number, fault)


def test_every_test_that_is_named_is_there() -> None:
    there = collected()
    for number, _, cell in ROWS:
        for path, name in listed(cell):
            assert name in there.get(path, set()), f"row {number}: {path}::{name}"


def test_every_test_of_a_fault_stands_in_its_row() -> None:
    cells = {int(number): listed(cell) for number, _, cell in ROWS}
    for path, names in collected().items():
        for name in names:
            if match := re.match(r"test_fault_(\d+)_", name):
                assert (path, name) in cells[int(match.group(1))], f"{path}::{name}"
