"""Reads a recording of taps: WAV by scipy, FLAC and the like by soundfile where that is installed."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from importlib import util
from pathlib import Path

import numpy as np

from stiffen.errors import InputError
from stiffen.io.files import FilePath, check_file, file_error

MAX_SOUND_BYTES = 100_000_000
MIN_SECONDS, MAX_SECONDS = 0.4, 120.0
MIN_RATE = 4000.0  # samples a second
SILENCE = 1e-3  # of full scale: a recording whose loudest sample is below is silent (-60 dB)
RECORD_CURE = "record again in a quiet room: a second of quiet, then three taps, two seconds apart"
OTHER_CURE = "save it as WAV, or install soundfile (pip install soundfile) to read FLAC and OGG"


@dataclass(frozen=True, eq=False)
class Recording:
    """samples: (n,) of one channel, -1 to 1.  rate: samples a second."""

    samples: np.ndarray
    rate: float

    @property
    def seconds(self) -> float:
        """Length."""
        return len(self.samples) / self.rate


def read_sound(path: FilePath) -> Recording:
    """The louder channel of a recording.  InputError for a file that is no sound, too short or long, or silent."""
    file = check_file(path, MAX_SOUND_BYTES)
    samples, rate = _read_wav(file) if file.suffix.lower() in (".wav", ".wave") else _read_other(file)
    if samples.ndim == 2 and samples.shape[1]:
        samples = samples[:, int(np.argmax(np.square(samples).sum(axis=0)))]
    recording = Recording(samples.ravel(), float(rate))
    if not np.isfinite(recording.samples).all():
        raise file_error(path, "holds samples that are not numbers", RECORD_CURE)
    if recording.rate < MIN_RATE:
        raise file_error(path, f"has {recording.rate:g} samples a second", "at least 8000 hear the panel")
    if recording.seconds < MIN_SECONDS:
        raise file_error(path, f"lasts {recording.seconds:.2f} s, too short for a tap to ring out", RECORD_CURE)
    if recording.seconds > MAX_SECONDS:
        raise file_error(path, f"lasts {recording.seconds:.0f} s", f"cut it to the taps, {MAX_SECONDS:g} s at most")
    if np.abs(recording.samples - recording.samples.mean()).max() < SILENCE:
        raise file_error(path, "is silent", RECORD_CURE)
    return recording


def _read_wav(path: Path) -> tuple[np.ndarray, float]:
    from scipy.io import wavfile

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a phone's own chunks
            rate, data = wavfile.read(path)
    except Exception as error:  # noqa: BLE001 - scipy raises many kinds for a broken file
        raise _unreadable(path, error) from None
    if data.dtype == np.uint8:
        return (data.astype(float) - 128) / 128, rate
    if np.issubdtype(data.dtype, np.integer):
        return data.astype(float) / -float(np.iinfo(data.dtype).min), rate
    return data.astype(float), rate


def _read_other(path: Path) -> tuple[np.ndarray, float]:
    if util.find_spec("soundfile") is None:
        raise file_error(path, f'has the ending "{path.suffix}"; only WAV is read here', OTHER_CURE)
    import soundfile

    try:
        data, rate = soundfile.read(path, always_2d=True, dtype="float64")
    except Exception as error:  # noqa: BLE001 - soundfile raises errors of its own
        raise _unreadable(path, error) from None
    return data, rate


def _unreadable(path: Path, error: Exception) -> InputError:
    reason = str(error).splitlines()[0][:80] if str(error) else type(error).__name__
    return file_error(path, f"cannot be read as sound: {reason}", OTHER_CURE)
