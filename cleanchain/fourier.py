"""Lengths that are quick to transform."""

from __future__ import annotations


def fast_length(at_least: int) -> int:
    """Return the smallest length of factors 2, 3 and 5 that is no shorter."""
    return min(number for number in _smooth(2 * at_least) if number >= at_least)


def fast_length_within(at_most: int) -> int:
    """Return the largest length of factors 2, 3 and 5 that is no longer."""
    return max(number for number in _smooth(at_most) if number <= at_most)


def _smooth(limit: int) -> list[int]:
    """Return all numbers of factors 2, 3 and 5 up to a limit."""
    numbers = [1]
    for factor in (2, 3, 5):
        for number in list(numbers):
            while (number := number * factor) <= max(limit, 1):
                numbers.append(number)
    return numbers
