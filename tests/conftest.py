"""The order of the tests, and what they start with."""

from __future__ import annotations

import signal

import pytest

# Whoever starts the tests in the background may have switched Ctrl-C off, and what the tests
# start inherits that.
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest, so that no core is idle at the end."""
    items.sort(key=lambda item: "test_the_commands_of_readme_work" not in item.name)
