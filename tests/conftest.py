"""The order of the tests."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest, so that no core is idle at the end."""
    items.sort(key=lambda item: "test_the_commands_of_readme_work" not in item.name)
