"""Samples in memory that nobody can change."""

from __future__ import annotations

import numpy as np
import pytest

from cleanchain.audio.capture import Capture


def test_samples_are_copied_where_somebody_could_write_to_them() -> None:
    samples = np.zeros((2, 10))
    view = samples[:, :5]
    view.flags.writeable = False
    part, whole = Capture(view, 8000), Capture(samples, 8000)
    samples[:] = 1.0
    assert not part.samples.any()
    assert not whole.samples.any()
    with pytest.raises(ValueError, match="read-only"):
        whole.samples[0, 0] = 1.0


@pytest.mark.parametrize("samples", [np.ones(10), np.ones((10, 2)).T, np.ones((2, 10), np.float32)])
def test_samples_of_any_layout_become_rows_of_double_precision(samples: np.ndarray) -> None:
    samples.flags.writeable = False
    kept = Capture(samples, 8000).samples
    assert (kept.ndim, kept.dtype) == (2, np.float64)
    assert kept.flags.c_contiguous
    assert not kept.flags.writeable


def test_what_nobody_can_write_to_is_not_copied() -> None:
    samples = np.zeros((2, 10))
    samples.flags.writeable = False
    assert Capture(samples, 8000).samples is samples
