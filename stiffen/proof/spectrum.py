"""The spectrum of the rings after the taps, and the frequencies in it that belong to the panel.

A frequency of the panel stands above the room's own noise and dies away; mains hum does neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from .taps import Ring, Taps

HIGHEST_RATIO = 1.2  # of the highest computed mode, up to which the spectrum is taken
RESOLUTION = 0.25  # Hz, of the spectrum as it is sampled
ABOVE_NOISE = 9.0  # dB above the room
PROMINENCE = 8.0  # dB above the valleys beside it
ABOVE_FLOOR = 9.0  # dB above the median of the spectrum within FLOOR_WIDTH
FLOOR_WIDTH = 120.0  # Hz
DYNAMIC_RANGE = 50.0  # dB below the loudest peak
MIN_FALL = 3.0  # dB by which a frequency of the panel dies away while it is watched; hum stays
MIN_GAP_RATIO = 0.012  # of the frequency, between two peaks
READ_ERROR = 0.003  # of the frequency, the least error of a peak: the panel's own when it is hung up again


@dataclass(frozen=True)
class Peak:
    """A frequency of the panel: Hz, its error, level in dB below the loudest, damping as a share of the critical."""

    hertz: float
    error: float
    level: float
    damping: float


@dataclass(frozen=True, eq=False)
class Spectrum:
    """hertz (n,) and levels (n,) dB, 0 at the loudest; noise (n,) of the room on the same scale; the peaks, rising."""

    hertz: np.ndarray
    levels: np.ndarray
    noise: np.ndarray
    peaks: tuple[Peak, ...]


def tap_spectrum(taps: Taps, highest: float, lowest: float = 20.0) -> Spectrum:
    """The mean spectrum of all taps between two frequencies, Hz, and its peaks."""
    size = int(2 ** np.ceil(np.log2(taps.rate / RESOLUTION)))
    hertz = np.fft.rfftfreq(size, 1 / taps.rate)
    kept = (hertz >= lowest) & (hertz <= min(highest, 0.45 * taps.rate))
    powers = [_power(ring.samples, size)[kept] for ring in taps.rings]
    mean = np.mean([power / power.max() for power in powers], axis=0)
    hertz = hertz[kept]
    levels = 10 * np.log10(mean / mean.max() + 1e-12)
    noise = _noise(taps, hertz, [power.max() for power in powers]) - 10 * np.log10(mean.max())
    return Spectrum(hertz, levels, noise, _peaks(taps, hertz, levels, noise))


def _power(samples: np.ndarray, size: int) -> np.ndarray:
    """Power spectrum of a ring; its end is faded out."""
    fade = np.ones(len(samples))
    tail = len(samples) // 2
    fade[-tail:] = 0.5 * (1 + np.cos(np.linspace(0.0, np.pi, tail)))
    return np.abs(np.fft.rfft(samples * fade, size)) ** 2


def _noise(taps: Taps, hertz: np.ndarray, largest: list[float]) -> np.ndarray:
    """Level of the room's noise in the spectrum of a ring, dB; very low if there is no quiet part."""
    if not len(taps.quiet):
        return np.full(len(hertz), -120.0)
    segment = min(len(taps.quiet), int(taps.rate * 0.5))
    from scipy.signal import welch  # takes a third of a second to import, which a search need not wait for

    bins, density = welch(taps.quiet, taps.rate, nperseg=segment)
    length = float(np.mean([len(ring.samples) for ring in taps.rings]))
    # noise of this one-sided density gives a ring of n samples the mean power density n rate/2
    power = np.interp(hertz, bins, density) * 0.7 * length * taps.rate / 2
    return 10 * np.log10(power / float(np.mean(largest)) + 1e-12)


def _peaks(taps: Taps, hertz: np.ndarray, levels: np.ndarray, noise: np.ndarray) -> tuple[Peak, ...]:
    step = hertz[1] - hertz[0]
    length = max(len(ring.samples) for ring in taps.rings) / taps.rate
    near = max(1, round(1.0 / length / step))
    floor = median_filter(levels, size=2 * int(FLOOR_WIDTH / step / 2) + 1, mode="nearest")
    # hum leaks into its neighbours: the largest noise within two widths of a bin counts
    spread = np.array([noise[max(0, k - 2 * near) : k + 2 * near + 1].max() for k in range(len(noise))])
    from scipy.signal import find_peaks

    found, _ = find_peaks(levels, prominence=PROMINENCE, distance=near)
    peaks: list[Peak] = []
    for k in sorted(found, key=lambda place: -levels[place]):
        if levels[k] < -DYNAMIC_RANGE or levels[k] < floor[k] + ABOVE_FLOOR or levels[k] < spread[k] + ABOVE_NOISE:
            continue
        at = _vertex(hertz, levels, k)
        if any(abs(at - one.hertz) < max(MIN_GAP_RATIO * at, 1.2 / length) for one in peaks):
            continue
        decays = [_decay(ring, taps.rate, at) for ring in taps.rings]
        rate, fall = np.median(decays, axis=0)
        if fall < MIN_FALL:
            continue
        damping = max(float(rate), 0.0) / (2 * np.pi * at)
        error = max(READ_ERROR * at, 0.25 / length, damping * at / 2)
        peaks.append(Peak(at, error, float(levels[k]), damping))
    return tuple(sorted(peaks, key=lambda one: one.hertz))


def _vertex(hertz: np.ndarray, levels: np.ndarray, k: int) -> float:
    """Frequency of a peak, by a parabola through three levels."""
    if not 0 < k < len(levels) - 1:
        return float(hertz[k])
    a, b, c = levels[k - 1 : k + 2]
    bend = a - 2 * b + c
    return float(hertz[k] + (0.5 * (a - c) / bend if bend < 0 else 0.0) * (hertz[1] - hertz[0]))


def _decay(ring: Ring, rate: float, at: float) -> tuple[float, float]:
    """Decay, 1/s, of one frequency after a tap, and by how many dB it falls while it is watched."""
    window = int(min(max(0.05, 8 / at), len(ring.samples) / rate / 2) * rate)
    starts = np.linspace(0, len(ring.samples) - window, 9).astype(int)
    turn = np.exp(-2j * np.pi * at * np.arange(window) / rate) * np.hanning(window)
    levels = np.array([np.abs(np.dot(ring.samples[s : s + window], turn)) for s in starts])
    levels = 20 * np.log10(levels / levels.max() + 1e-9)
    times = starts / rate
    used = levels > levels[0] - 25  # below is noise
    used[:3] = True
    slope = np.polyfit(times[used], levels[used], 1)[0]
    return float(-slope / 20 * np.log(10)), float(-slope * (times[used][-1] - times[used][0]))
