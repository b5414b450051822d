"""Finds the taps in a recording, and the part after each in which the panel rings on its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stiffen.errors import Fault, InputError

from .sound_file import RECORD_CURE, Recording

FRAME = 0.005  # s
LOWEST = 25.0  # Hz: below it is wind and handling
CLICK_FROM = 400.0  # Hz: the click of a tap lies above, hum and most of the noise of a room below
MIN_CLICK = 0.03  # of the loudest sample, that a tap has above CLICK_FROM
ONSET_RISE = 9.0  # dB above the background and above the 50 ms before
LOUD_RANGE = 25.0  # dB below the loudest frame within which an onset counts as a tap
DEAD_TIME = 0.2  # s after an onset in which no other one is looked for
CONTACT = 0.006  # s after the onset in which finger or hammer still touches
MAX_RING = 1.5  # s
MIN_RING = 0.12  # s
CLIPPED = 0.985  # of the loudest sample
CLIPPED_RUN = 4  # samples in a row at the limit: no sound of a panel stays there


@dataclass(frozen=True, eq=False)
class Ring:
    """What follows one tap.  samples: (n,) from the end of the contact.  start: s in the recording."""

    samples: np.ndarray
    start: float


@dataclass(frozen=True, eq=False)
class Taps:
    """The taps of a recording.  rings: one a tap that can be used.  quiet: samples before the first tap, may be empty.

    clipped: number of taps whose start was cut off because it was clipped.  rate: samples a second.
    """

    rings: tuple[Ring, ...]
    quiet: np.ndarray
    rate: float
    clipped: int


def find_taps(recording: Recording) -> Taps:
    """The taps of a recording.  InputError where none stands out, or where all are clipped or too short."""
    from scipy.signal import butter, sosfiltfilt  # slow to import

    rate = recording.rate
    samples = recording.samples - recording.samples.mean()
    heard = sosfiltfilt(butter(2, LOWEST, "highpass", fs=rate, output="sos"), samples)
    click = sosfiltfilt(butter(2, CLICK_FROM, "highpass", fs=rate, output="sos"), samples)
    clicks = np.abs(click).max() > MIN_CLICK * np.abs(heard).max()
    onsets = (_onsets(click, rate) if clicks else []) or _onsets(heard, rate)
    if not len(onsets):
        raise InputError([Fault("", "no tap stands out of the noise", RECORD_CURE)])
    limit = CLIPPED * np.abs(recording.samples).max()
    ends = [*(onset - int(0.02 * rate) for onset in onsets[1:]), len(samples)]
    floor = float(np.sqrt(np.mean(heard[: onsets[0]] ** 2))) if onsets[0] > 0.1 * rate else 0.0
    rings, clipped = [], 0
    for onset, end in zip(onsets, ends, strict=True):
        if end - onset < MIN_RING * rate:
            continue
        start = onset + int(CONTACT * rate)
        last = _last_clipped(recording.samples[onset:end], limit)
        if last:
            clipped += 1
            start = max(start, onset + last + int(0.002 * rate))
        ring = heard[start : min(end, start + int(MAX_RING * rate))]
        ring = ring[: _rings_until(ring, rate, floor)]
        if len(ring) >= MIN_RING * rate:
            rings.append(Ring(ring, start / rate))
    if not rings:
        if clipped:
            what = f"{'the tap is' if len(onsets) == 1 else 'all taps are'} clipped: the recording was too loud"
            raise InputError([Fault("", what, "move the phone further away, or tap more softly")])
        what = f"each tap sinks into the noise within {MIN_RING:g} s"
        cure = "a quieter room, the phone nearer, a panel that hangs clear of everything and rings out"
        raise InputError([Fault("", what, cure)])
    quiet = heard[: max(0, onsets[0] - int(0.03 * rate))]
    return Taps(tuple(rings), quiet if len(quiet) > 0.15 * rate else quiet[:0], rate, clipped)


def _levels(samples: np.ndarray, rate: float) -> np.ndarray:
    """Level of each frame, dB."""
    size = max(1, int(FRAME * rate))
    frames = samples[: len(samples) // size * size].reshape(-1, size)
    return 10 * np.log10(np.mean(frames**2, axis=1) + 1e-14)


def _onsets(sound: np.ndarray, rate: float) -> list[int]:
    """Samples at which a tap begins: a rise above background and recent past, not far below the loudest."""
    levels = _levels(sound, rate)
    background = float(np.percentile(levels, 20))
    loudest = float(levels.max())
    if loudest - background < ONSET_RISE:
        return []
    past = round(0.05 / FRAME)
    found: list[int] = []
    for k in range(len(levels)):
        before = levels[max(0, k - past) : k]
        recent = float(np.percentile(before, 90)) if len(before) else background
        if found and (k - found[-1]) * FRAME < DEAD_TIME:
            continue
        if levels[k] > max(background, recent) + ONSET_RISE and levels[k : k + 3].max() > loudest - LOUD_RANGE:
            found.append(k)
    return [int(k * FRAME * rate) for k in found]


def _last_clipped(samples: np.ndarray, limit: float) -> int:
    """Position after the last run of samples at the limit; 0 without one."""
    at_limit = np.abs(samples) >= limit
    runs = np.convolve(at_limit, np.ones(CLIPPED_RUN), "valid") >= CLIPPED_RUN - 0.5
    return int(np.flatnonzero(runs)[-1]) + CLIPPED_RUN if runs.any() else 0


def _rings_until(ring: np.ndarray, rate: float, floor: float) -> int:
    """Sample at which the ring has sunk to about the noise."""
    size = max(1, int(0.02 * rate))
    frames = ring[: len(ring) // size * size].reshape(-1, size)
    level = np.sqrt(np.mean(frames**2, axis=1))
    above = np.flatnonzero(level > 1.15 * floor)
    return int((above[-1] + 1) * size) if len(above) else 0
