"""The path of the mains phase through a recording, found from all harmonics together."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from cleanchain.measure.hum_cells import Cells
from cleanchain.measure.smoothing import smooth_walk
from cleanchain.operators.harmonics import Amplitudes, Reals

#: Phases that are tried in each cell, and how far the mains may be from their mean frequency.
_PHASES, _REACH_HZ = 256, 0.16
#: Cells whose votes are held at a time.
_TOGETHER = 256
#: Spread of the frequency that a step of the path is priced with, Hz.
_USUAL_HZ = 0.05
#: Say of one harmonic that stands clear, in nats between its right and its opposite phase / 2.
_SAY = 2.5
#: What a jump of the phase costs, in nats.
_JUMP = 16.0
#: Random walks of the mains frequency that are tried, Hz after one second.
_WALKS_HZ = (0.0003, 0.002, 0.006, 0.015, 0.04)


def rough_path(cells: Cells, shape: Amplitudes, noise: Reals) -> tuple[Reals, list[int], float]:
    """Find the path of the phase by bounded votes of all harmonics.

    Parameters
    ----------
    cells : Cells
        Around the mean mains frequency, to 0.1 Hz.
    shape : ndarray of complex, shape (channels, harmonics)
        Amplitudes of the hum at a phase of zero; their level does not matter.
    noise : ndarray of shape (channels, cells, harmonics)
        Power of all else on the line in a cell.

    Returns
    -------
    phase : ndarray of shape (cells,)
        rad.
    jumps : list of int
        Cells at which another path begins.
    votes : float
        What the path gathered, in nats, prices paid.

    Notes
    -----
    The vote of a harmonic for a phase is the cosine of how far it is from it, so that a note on a
    line has no more say than the line. The path of most votes moves slowly or, at a price, jumps
    (Viterbi 1967). Votes over all phases are one Fourier transform over the harmonics.
    """
    size = np.abs(cells.seen)
    unit = cells.seen / np.maximum(size, 1e-30) * np.sign(size)
    line = np.abs(shape)[:, None] ** 2
    clear = (
        line / (line + noise) * np.minimum(1.0, 3 * np.sqrt(line + noise) / np.maximum(size, 1e-30))
    )
    aim = shape / np.maximum(np.abs(shape), 1e-30)
    votes = np.einsum("ckh,ch->kh", clear * unit, aim.conj())
    votes_at = _by_phase(votes, cells.harmonics.astype(int).tolist())
    path, jumps, gathered = _best_path(votes_at, cells.count, cells.step_s)
    return np.unwrap(2 * np.pi * path / _PHASES), jumps, gathered


def _by_phase(votes: Amplitudes, harmonics: list[int]) -> Iterator[Reals]:
    """Yield the votes for each phase, cell by cell, from those of the harmonics."""
    for first in range(0, len(votes), _TOGETHER):
        some = votes[first : first + _TOGETHER]
        spectrum = np.zeros((len(some), _PHASES), dtype=complex)
        for index, harmonic in enumerate(harmonics):
            spectrum[:, harmonic % _PHASES] += some[:, index]
        yield from _SAY * np.fft.fft(spectrum, axis=1).real  # sum over h of v_h e^(-i h p)


def _best_path(
    votes: Iterator[Reals], count: int, step_s: float
) -> tuple[NDArray[np.int_], list[int], float]:
    """Path of most votes through cells, phases going round, and where it jumps."""
    total = next(votes).copy()
    phases = total.size
    reach = max(int(np.ceil(_REACH_HZ * step_s * phases)), 1)
    moves = np.arange(-reach, reach + 1)
    price = 0.5 * (moves / (phases * step_s * _USUAL_HZ)) ** 2
    came = np.empty((count, phases), dtype=np.int16)
    index = np.arange(phases)
    for cell, own in enumerate(votes, 1):
        around = np.concatenate([total[-reach:], total, total[:reach]])
        options = np.lib.stride_tricks.sliding_window_view(around, moves.size) - price
        best = options.argmax(axis=1)
        highest = options[index, best]
        came[cell] = (index + moves[best]) % phases
        top = int(total.argmax())
        jumping = highest < total[top] - _JUMP
        if jumping.any():
            highest[jumping] = total[top] - _JUMP
            came[cell, jumping] = top
        total = highest + own
    path = np.empty(count, dtype=int)
    path[-1] = int(total.argmax())
    jumps = []
    for cell in range(count - 1, 0, -1):
        path[cell - 1] = came[cell, path[cell]]
        away = (path[cell] - path[cell - 1] + phases // 2) % phases - phases // 2
        if abs(away) > reach:
            jumps.append(cell)
    return path, jumps[::-1], float(total.max())


def refine(
    cells: Cells, expected: Amplitudes, noise: Reals, phase: Reals, jumps: list[int]
) -> tuple[Reals, Reals]:
    """Move a path to the best fit of all harmonics under a smooth frequency.

    Parameters
    ----------
    cells : Cells
        What is seen.
    expected : ndarray of complex, shape (channels, cells or 1, harmonics)
        The hum at a phase of zero.
    noise : ndarray of shape (channels, cells, harmonics)
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
    harmonics = cells.harmonics
    wanted = np.broadcast_to(expected, cells.seen.shape)
    pull = 2 * harmonics / noise
    info = (pull * harmonics * np.abs(wanted) ** 2).sum(axis=(0, 2))
    bounds = [0, *jumps, cells.count]
    parts = [slice(a, b) for a, b in itertools.pairwise(bounds)]
    out, sd = phase.copy(), np.full(cells.count, np.inf)
    stiff = (2 * np.pi * np.array(_WALKS_HZ) * cells.step_s**1.5) ** -2
    for turn in range(3):
        still = cells.stilled(out)
        # Bounded by the sine: a line that is turned by more than a quarter pulls no harder.
        slope = (pull * (still * wanted.conj()).imag).sum(axis=(0, 2))
        aim = out + slope / np.maximum(info, 1e-12)
        smooth = [smooth_walk(aim[part], info[part], stiff) for part in parts]
        likely = int(np.argmax(sum(found[1] for found in smooth))) if turn == 0 else 0
        stiff = stiff[likely : likely + 1] if turn == 0 else stiff
        for part, (path, _) in zip(parts, smooth, strict=True):
            out[part] = path[likely]
    for part in parts:
        sd[part] = _spread(info[part], float(stiff[0]))
    return out, sd


def _spread(info: Reals, stiff: float) -> Reals:
    """Spread of a smoothed phase, as if the information were even over the time it covers."""
    even = np.maximum(info.mean(), 1e-12)
    cells_smoothed = max(2.8 * (stiff / even) ** 0.25, 1.0)
    return np.full(info.size, 1 / np.sqrt(even * min(cells_smoothed, max(info.size / 2, 1.0))))
