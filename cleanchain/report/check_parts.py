"""What pages tell about the captures they rest on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from cleanchain.report.elements import Table


def checks(found: Sequence[Mapping[str, Any]]) -> Iterable[Table]:
    """Return checks as tables: those that did not pass, and the others to be unfolded.

    Parameters
    ----------
    found : sequence of dict
        With the keys capture, check, passed and words.
    """
    doubtful = [check for check in found if check["passed"] is not True]
    passed = [check for check in found if check["passed"] is True]
    if doubtful:
        yield _table("Checks that did not pass, or could not be made", doubtful, folded=False)
    if passed:
        yield _table(f"Checks that passed: {len(passed)}", passed, folded=True)


def _table(caption: str, found: Sequence[Mapping[str, Any]], folded: bool) -> Table:
    rows = [
        [check["capture"].replace("_", " "), check["check"], check["words"].replace("+-", "±")]
        for check in found
    ]
    return Table(caption, ["capture", "check", "found"], rows, folded=folded, words=True)
