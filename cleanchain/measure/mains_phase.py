"""The path of the mains phase through a recording, found from all harmonics together."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.best_path import Moves, Votes, best_path
from cleanchain.measure.hum_cells import OVERLAP, Cells, some_at_a_time
from cleanchain.measure.smoothing import smooth_walk
from cleanchain.operators.harmonics import Amplitudes, Reals

Floats = NDArray[np.floating]

#: Phases that are tried in each cell, and how far the mains may be from their mean frequency.
PHASES, _REACH_HZ = 256, 0.16
#: Spread of the frequency that a step of the path is priced with, Hz.
_USUAL_HZ = 0.05
#: Say of one harmonic that stands clear, in nats between its right and its opposite phase / 2.
_SAY = 2.5
#: What a jump of the phase costs, in nats.
_JUMP = 16.0
#: Random walks of the mains frequency that are tried, Hz after one second.
_WALKS_HZ = (0.0003, 0.002, 0.006, 0.015, 0.04)
#: The same more finely, from which walks are drawn, and how many errors are.
_MANY_WALKS_HZ = tuple(np.geomspace(0.0003, 0.04, 12).tolist())
_ERRORS = 16


def rough_path(
    tried: Sequence[Cells], shape: Amplitudes, least: Reals
) -> tuple[int, Reals, list[int], float]:
    """Find the path of the phase by bounded votes of all harmonics.

    Parameters
    ----------
    tried : sequence of Cells
        The same recording around some mains frequencies, one of them right to 0.1 Hz.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes of the hum at a phase of zero; their level does not matter.
    least : ndarray of shape (channels, 1, harmonics)
        Power that is on each line in a cell besides what is seen beside it.

    Returns
    -------
    number : int
        The cells whose path gathers most votes: a note near a line may draw the others.
    phase : ndarray of shape (cells,)
        rad.
    jumps : list of int
        Cells at which another path begins.
    votes : float
        What the path gathered, in nats, prices paid.

    Notes
    -----
    The vote of a harmonic for a phase is the cosine of how far it is from it, so that a note on a
    line has no more say than the line. The path of most votes moves slowly or, at a price, jumps.
    Votes over all phases are one Fourier transform over the harmonics.
    """
    step_s = tried[0].step_s

    def telling(cells: Cells) -> Votes:
        def votes(first: int, last: int) -> NDArray[np.float32]:
            some = cells.part(slice(first, last))
            return votes_for(some, shape, some.beside + least)

        return votes

    reach = max(int(np.ceil(_REACH_HZ * step_s * PHASES)), 1)
    moves = Moves(reach, 0.5 / (PHASES * step_s * _USUAL_HZ) ** 2, _JUMP)
    number, path, jumps, gathered = best_path(
        [telling(one) for one in tried], tried[0].count, moves
    )
    return number, np.unwrap(2 * np.pi * path / PHASES), jumps, float(gathered[number])


def votes_for(cells: Cells, shape: Amplitudes, noise: Floats) -> NDArray[np.float32]:
    """Count the votes of all harmonics for each phase, in nats, shape (cells, phases).

    The phase is beyond what the cells were turned by; see `rough_path` for the parameters.
    """
    size = np.abs(cells.seen)
    line = np.abs(shape)[:, None] ** 2
    power = line + noise
    # What stands clear has a say, a note far louder than the line the less.
    clear = line / power * np.minimum(1.0, 3 * np.sqrt(power) / np.maximum(size, 1e-30))
    aim = shape / np.maximum(np.abs(shape), 1e-30)
    unit = (clear / np.maximum(size, 1e-30)) * cells.seen
    votes = np.einsum("ckh,ch->kh", unit.conj(), aim)
    half = np.zeros((cells.count, PHASES // 2 + 1), dtype=np.complex64)
    half[:, cells.harmonics.astype(int)] = votes * (_SAY * PHASES / 2)
    votes_at: NDArray[np.float32] = np.fft.irfft(half, PHASES, axis=1).astype(np.float32)
    return votes_at  # sum over h of Re v_h e^(-i h p)


def refine(
    cells: Cells, shape: Amplitudes, level: Reals, noise: Floats, phase: Reals, jumps: list[int]
) -> tuple[Reals, Reals]:
    """Move a path to the best fit of all harmonics under a smooth frequency.

    Parameters
    ----------
    cells : Cells
        What is seen.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes of the hum at a phase of zero and a level of one.
    level : ndarray of shape (channels, cells)
        Of the hum.
    noise : ndarray of shape (channels, cells or 1, harmonics)
        Power of all else.
    phase : ndarray of shape (cells,)
        Where to begin, within a fraction of a turn of the highest strong harmonic.
    jumps : list of int
        Cells at which another path begins.

    Returns
    -------
    phase, sd : ndarray of shape (cells,)
        rad; the standard deviation holds for the fit's own idea of noise.

    Notes
    -----
    Gauss-Newton steps on the weighted squares of all harmonics, with a random walk of the
    frequency as prior: the size of its steps is the one, of a few, that makes what is seen most
    likely (the marginal likelihood of a Gaussian smoother).
    """
    bounds = [0, *jumps, cells.count]
    parts = [slice(a, b) for a, b in itertools.pairwise(bounds)]
    out, sd = phase.copy(), np.full(cells.count, np.inf)
    stiff = _stiffness(cells.step_s)
    for turn in range(3):
        # Bounded by the sine: a line that is turned by more than a quarter pulls no harder.
        slope, info = pulls(cells, shape, level, noise, out)
        aim = out + slope / np.maximum(info, 1e-12)
        smooth = [smooth_walk(aim[part], info[part], stiff) for part in parts]
        likely = int(np.argmax(sum(found[1] for found in smooth))) if turn == 0 else 0
        stiff = stiff[likely : likely + 1] if turn == 0 else stiff
        for part, (path, _) in zip(parts, smooth, strict=True):
            out[part] = path[likely]
    for part in parts:
        sd[part] = _spread(info[part], float(stiff[0]))
    return out, sd


def drawn_error(
    cells: Cells,
    shape: Amplitudes,
    level: Reals,
    noise: Floats,
    phase: Reals,
    jumps: list[int],
    seen: Floats,
    rng: np.random.Generator,
) -> Reals:
    """Draw how far the true path may lie from the one that was found, rad, shape (cells,).

    A path is drawn that walks as the recording says that it does, is seen through the noise that
    is there, and is found as the true one was; see `refine` for the other parameters. One such
    error is often twice as large as another: that which is returned has the power of their mean.

    Parameters
    ----------
    seen : ndarray of shape (channels, cells, harmonics)
        Power of the noise that is there; the path was found with `noise`, which is no less.
    """
    bounds = [0, *jumps, cells.count]
    parts = [slice(a, b) for a, b in itertools.pairwise(bounds)]
    walks = _stiffness(cells.step_s), _stiffness(cells.step_s, _MANY_WALKS_HZ)
    infos, chances = [], []
    for power, stiff in zip((noise, seen), walks, strict=True):
        slope, info = pulls(cells, shape, level, power, phase)
        aim = phase + slope / np.maximum(info, 1e-12)
        likely = np.sum([smooth_walk(aim[part], info[part], stiff)[1] for part in parts], axis=0)
        infos.append(np.maximum(info, 1e-12))
        chances.append(np.exp(likely - likely.max()))
    used = walks[0][[np.argmax(chances[0])]]
    errors = np.empty((_ERRORS, cells.count))
    for error, walk in zip(
        errors, rng.choice(walks[1], _ERRORS, p=chances[1] / chances[1].sum()), strict=True
    ):
        for part in parts:
            chance = rng.standard_normal((2, infos[0][part].size))
            path = np.cumsum(np.cumsum(chance[0])) / np.sqrt(walk)
            aim = path + chance[1] * np.sqrt(OVERLAP / infos[1][part])
            error[part] = smooth_walk(aim, infos[0][part], used)[0][0] - path
    power = errors**2 @ (level**2).sum(axis=0)
    drawn: Reals = errors[0] * np.sqrt(power.mean() / max(power[0], 1e-300))
    return drawn


def _stiffness(step_s: float, walks_hz: Sequence[float] = _WALKS_HZ) -> Reals:
    """One over the variance of the second differences of each walk that is tried."""
    stiff: Reals = (2 * np.pi * np.array(walks_hz) * step_s**1.5) ** -2
    return stiff


def pulls(
    cells: Cells, shape: Amplitudes, level: Reals, noise: Floats, phase: Reals
) -> tuple[Reals, Reals]:
    """Return how hard all harmonics together pull at a path in each cell, and how surely.

    See `refine` for the parameters.

    Returns
    -------
    slope, info : ndarray of shape (cells,)
        Of the logarithm of the likelihood: first derivative, and second with its sign changed.
    """
    slope, info = np.empty(cells.count), np.empty(cells.count)
    for some in some_at_a_time(cells.count):
        part = cells.part(some)
        wanted = shape[:, None] * level[:, some, None]
        pull = 2 * cells.harmonics / (noise[:, some] if noise.shape[1] > 1 else noise)
        still = part.stilled(phase[some])
        slope[some] = (pull * (still * wanted.conj()).imag).sum(axis=(0, 2))
        info[some] = (pull * cells.harmonics * np.abs(wanted) ** 2).sum(axis=(0, 2))
    return slope, info


def _spread(info: Reals, stiff: float) -> Reals:
    """Spread of a smoothed phase, as if the information were even over the time it covers."""
    even = np.maximum(info.mean(), 1e-12)
    cells_smoothed = max(2.8 * (stiff / even) ** 0.25, 1.0)
    return np.full(info.size, 1 / np.sqrt(even * min(cells_smoothed, max(info.size / 2, 1.0))))
