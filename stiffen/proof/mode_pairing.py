"""Pairs the frequencies heard with the computed modes, in their order.

A tap on a nodal line leaves a mode out, and the room adds frequencies of its own, so neither list is complete.  Nor do
all modes go down alike in a panel with shallower beads.  So the frequencies are paired with the modes of several
depths, each with any common shift, which is nearly what another thickness does.  The pairing of most worth is taken.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .spectrum import Peak

PHONE_HEARS_FROM = 60.0  # Hz: a phone hears little below (from memory)
MAX_SHIFT = 0.25  # common shift of all modes, as a logarithm
SHIFT_STEP = 0.005
SCATTER = 0.035  # of a mode about the common shift, as a logarithm
UNPAIRED_MODE, UNPAIRED_PEAK = 0.25, 0.35  # what a mode not heard, or a peak not explained, costs against a pair
SHIFT_COST = 0.15  # of a shift by 10 %: small shifts are more likely than large ones
CANDIDATE_COST = 0.1  # of each further candidate: the panel as drawn is the most likely
MIN_PAIRS = 2
AMBIGUOUS = 0.4  # by which another pairing must be worth less
NEAR_MODES = 0.04  # of the frequency, within which two modes may be mixed up without harm


@dataclass(frozen=True)
class Pairing:
    """pairs: (position of the mode, peak), by rising mode.  shift: mean of heard over computed, less 1.

    rival_shift: that of another pairing of about the same worth, or None.
    """

    pairs: tuple[tuple[int, Peak], ...]
    shift: float
    rival_shift: float | None = None

    @property
    def enough(self) -> bool:
        """True if at least MIN_PAIRS modes were heard and no other pairing is worth as much."""
        return len(self.pairs) >= MIN_PAIRS and self.rival_shift is None


def pair_modes(candidates: Sequence[np.ndarray], peaks: Sequence[Peak]) -> Pairing:
    """The pairing of most worth.

    candidates: (count,) Hz by the modes' numbers, of the panel as drawn or measured first, then of other depths.
    """
    if not peaks:
        return Pairing((), 0.0)
    heard = np.log(np.array([peak.hertz for peak in peaks]))
    weights = _weights(peaks)
    tried: list[tuple[float, tuple[tuple[int, int], ...]]] = []
    for place, hertz in enumerate(candidates):
        order = np.argsort(hertz, kind="stable")
        computed = np.log(hertz[order])
        audible = np.where(hertz[order] >= PHONE_HEARS_FROM, 1.0, 0.3)
        for shift in np.arange(-MAX_SHIFT, MAX_SHIFT + 1e-9, SHIFT_STEP):
            worth, found = _aligned(computed + shift, heard, weights, audible)
            worth -= SHIFT_COST * (shift / 0.1) ** 2 + CANDIDATE_COST * place
            tried.append((round(worth, 9), tuple((int(order[mode]), peak) for mode, peak in found)))
    worth, pairs = max(tried, key=lambda one: one[0])
    if not pairs:
        return Pairing((), 0.0)
    nominal = candidates[0]
    rivals = [one for one in tried if one[0] > worth - AMBIGUOUS and _conflicts(one[1], pairs, nominal)]
    rival = max(rivals, key=lambda one: one[0], default=None)
    return Pairing(
        tuple((mode, peaks[peak]) for mode, peak in sorted(pairs)),
        _mean_shift(pairs, nominal, peaks),
        _mean_shift(rival[1], nominal, peaks) if rival else None,
    )


def _mean_shift(pairs: Sequence[tuple[int, int]], nominal: np.ndarray, peaks: Sequence[Peak]) -> float:
    return float(np.mean([peaks[peak].hertz / nominal[mode] - 1 for mode, peak in pairs]))


def _conflicts(one: Sequence[tuple[int, int]], other: Sequence[tuple[int, int]], nominal: np.ndarray) -> bool:
    """True if half of the peaks are paired with modes that are far apart in frequency."""
    modes = {peak: mode for mode, peak in other}
    far = [peak for mode, peak in one if peak in modes and abs(nominal[mode] / nominal[modes[peak]] - 1) > NEAR_MODES]
    return len(one) >= MIN_PAIRS and 2 * len(far) >= len(other)


def _weights(peaks: Sequence[Peak]) -> np.ndarray:
    """How much each peak counts: all of it within 20 dB of the loudest, half at 40 dB."""
    return np.array([float(np.clip(1.5 + peak.level / 40, 0.3, 1.0)) for peak in peaks])


def _aligned(
    computed: np.ndarray, heard: np.ndarray, weights: np.ndarray, audible: np.ndarray
) -> tuple[float, list[tuple[int, int]]]:
    """Worth and pairs (mode, peak) of the best alignment that keeps the order of both, by dynamic programming."""
    m, n = len(computed), len(heard)
    worth = np.zeros((m + 1, n + 1))
    worth[1:, 0] = -np.cumsum(UNPAIRED_MODE * audible)
    worth[0, 1:] = -np.cumsum(UNPAIRED_PEAK * weights)
    choice = np.zeros((m + 1, n + 1), int)
    for j in range(1, m + 1):
        for i in range(1, n + 1):
            off = (heard[i - 1] - computed[j - 1]) / SCATTER
            options = (
                worth[j - 1, i] - UNPAIRED_MODE * audible[j - 1],
                worth[j, i - 1] - UNPAIRED_PEAK * weights[i - 1],
                worth[j - 1, i - 1] + weights[i - 1] * (1 - off * off) if abs(off) < 1 else -math.inf,
            )
            choice[j, i] = int(np.argmax(options))
            worth[j, i] = options[choice[j, i]]
    pairs: list[tuple[int, int]] = []
    j, i = m, n
    while j and i:
        if choice[j, i] == 2:
            pairs.append((j - 1, i - 1))
            j, i = j - 1, i - 1
        elif choice[j, i] == 0:
            j -= 1
        else:
            i -= 1
    # peaks above the highest mode, or below the lowest, are not the computation's fault
    outside = (heard < computed[0] - SCATTER) | (heard > computed[-1] + SCATTER)
    return float(worth[m, n] + UNPAIRED_PEAK * weights[outside].sum()), pairs[::-1]
