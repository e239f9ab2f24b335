from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanchain.audio.capture import Capture
from cleanchain.audio.source import Samples
from cleanchain.errors import FitError
from cleanchain.operators.base import Flow, GridFlow, Identity, Operator, run
from cleanchain.operators.filter import SymmetricFilter
from cleanchain.operators.gain import Gain
from cleanchain.operators.planned import Planned
from cleanchain.operators.sequence import Sequence


class _Mean(GridFlow):
    """Mean of each sample and its two neighbours."""

    def _window(self, window: Samples, start: int) -> Samples:
        return (window[..., :-2] + window[..., 1:-1] + window[..., 2:]) / 3


class Mean(Operator):
    def start(self, lanes: int, channels: int, frames: int) -> Flow:
        return _Mean(lanes, channels, frames, step=8, context=1)


@settings(deadline=None)
@given(frames=st.integers(1, 100), block=st.integers(1, 40))
def test_grid_flow_is_the_same_for_any_block_and_length(frames: int, block: int) -> None:
    x = np.random.default_rng(frames).standard_normal((2, frames))
    mirrored = np.pad(x, ((0, 0), (1, 1)), mode="symmetric")
    wanted = (mirrored[:, :-2] + mirrored[:, 1:-1] + mirrored[:, 2:]) / 3
    out = np.concatenate(list(run(Mean(), Capture(x, 8000), block_frames=block)), axis=-1)[0]
    assert out == pytest.approx(wanted, abs=1e-15)


def test_sequence_equals_one_after_the_other() -> None:
    x = Capture(np.random.default_rng(0).standard_normal((1, 301)), 8000)
    twice = Planned(Planned(x, Mean()), Mean())
    both = run(Sequence([Mean(), Mean()]), x, block_frames=50, single=True)
    assert np.array_equal(np.concatenate(list(both), axis=-1)[0], twice.read(0, 301))


def test_identity_returns_the_very_samples() -> None:
    x = Capture(np.random.default_rng(0).standard_normal((2, 1000)), 8000)
    assert np.array_equal(np.concatenate(list(run(Identity(), x)), axis=-1)[0], x.samples)


def test_passengers_of_another_shape_are_refused() -> None:
    one, other = Capture(np.zeros((1, 10)), 8000, "one"), Capture(np.zeros((1, 11)), 8000, "two")
    with pytest.raises(FitError, match="11 frames, but one has 10"):
        list(run(Identity(), one, other))


def test_symmetric_filter_equals_direct_convolution() -> None:
    rng = np.random.default_rng(1)
    half = rng.standard_normal(40) * np.hanning(80)[40:]
    x = rng.standard_normal(20_011)
    kernel = np.concatenate([half[:0:-1], half])
    wanted = np.convolve(np.pad(x, 39, mode="symmetric"), kernel, mode="valid")
    out = np.concatenate(list(run(SymmetricFilter(half), Capture(x, 8000))), axis=-1)[0, 0]
    assert out == pytest.approx(wanted, abs=1e-12)


def test_planned_keeps_what_it_worked_out(monkeypatch: pytest.MonkeyPatch) -> None:
    x = Capture(np.random.default_rng(2).standard_normal((2, 5000)), 8000)
    monkeypatch.setattr("cleanchain.operators.planned.MEMORY_BYTES", 1000)  # goes to a file
    planned = Planned(x, Mean())
    whole = planned.read(0, 5000)
    assert np.array_equal(np.concatenate(list(planned.blocks(333)), axis=1), whole)
    assert np.array_equal(planned.read(17, 99), whole[:, 17:99])


def test_a_planned_gain_keeps_nothing() -> None:
    x = Capture(np.random.default_rng(2).standard_normal((2, 5000)), 8000)
    planned, along = Planned(x, Gain(0.3)), Planned(x, Gain(-2.0), passenger=Planned(x, Mean()))
    wanted = np.concatenate(list(run(Gain(0.3), x)), axis=-1)[0]
    assert np.array_equal(np.concatenate(list(planned.blocks(333)), axis=1), wanted)
    assert np.array_equal(planned.read(17, 99), wanted[:, 17:99])
    assert np.array_equal(along.read(5, 50), -2.0 * Planned(x, Mean()).read(5, 50))
    assert planned.read(5000, 5000).shape == (2, 0)
    assert planned._store is along._store is None


def test_a_planned_source_is_worked_out_only_as_far_as_it_is_read() -> None:
    seen: list[int] = []

    class Counts(Mean):
        def start(self, lanes: int, channels: int, frames: int) -> Flow:
            flow = _Mean(lanes, channels, frames, step=8, context=1)
            push = flow.push
            flow.push = lambda block: (seen.append(block.shape[-1]), push(block))[1]  # type: ignore[method-assign]
            return flow

    x = Capture(np.random.default_rng(2).standard_normal((1, 300_000)), 8000)
    whole = np.concatenate(list(Planned(x, Mean()).blocks()), axis=1)
    planned = Planned(x, Counts())
    assert np.array_equal(planned.read(10, 5000), whole[:, 10:5000])
    assert sum(seen) < 150_000
    assert np.array_equal(planned.read(250_000, 300_000), whole[:, 250_000:])
    assert np.array_equal(planned.read(0, 300_000), whole)
    assert sum(seen) == 300_000
