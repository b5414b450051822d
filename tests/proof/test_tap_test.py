"""The tap test: taps found in recordings made up with noise, hum and clipping; frequencies; pairing with modes."""

import warnings
from dataclasses import replace
from importlib import util

import numpy as np
import pytest
from scipy.io import wavfile
from shapely.geometry import Point, box
from support.panels import B16, Layout, lid, rows
from support.taps import RATE, recording

from stiffen.analysis.air_mass import added_mass_of_free
from stiffen.analysis.natural_modes import hanging_modes
from stiffen.errors import InputError
from stiffen.fem.linear import free_modes
from stiffen.fem.shell import Shell
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.proof.builds import Build
from stiffen.proof.explanations import DEPTH
from stiffen.proof.measurements import Measured
from stiffen.proof.mode_pairing import pair_modes
from stiffen.proof.proof import make_proof
from stiffen.proof.push_plan import PushPlan
from stiffen.proof.responses import HANGING, Responses
from stiffen.proof.sound_file import Recording, read_sound
from stiffen.proof.spectrum import Peak, tap_spectrum
from stiffen.proof.taps import find_taps

MODES = np.array([36.4, 53.1, 65.4, 94.3, 118.0, 140.0, 165.5, 172.9, 210.0, 260.0, 301.0])
ROOMS = {
    "quiet room": {},
    "mains hum": {"hum": 0.03},
    "noisy room": {"noise": 0.006, "hum": 0.02},
    "one tap, no quiet before it": {"taps": 1, "lead": 0.0},
    "two taps close together": {"taps": 2, "gap": 0.5},
    "light damping": {"damping": 0.001},
    "clipped at each tap": {"loudness": 3.0},
}


def heard(samples, highest=360.0):
    return tap_spectrum(find_taps(Recording(samples, RATE)), highest)


@pytest.mark.parametrize("room", ROOMS)
def test_frequencies_of_the_panel_are_heard_and_nothing_else(room):
    peaks = heard(recording(MODES, **ROOMS[room])).peaks
    off = [np.abs(MODES / peak.hertz - 1).min() for peak in peaks]
    assert max(off) < 0.012, "each peak is a mode: neither hum nor the room"
    audible = MODES[MODES > 60]
    found = [np.min([abs(peak.hertz / mode - 1) for peak in peaks]) < 0.012 for mode in audible]
    assert sum(found) >= len(audible) - 2


def test_taps_are_counted_and_clipping_is_told():
    assert len(find_taps(Recording(recording(MODES, taps=2), RATE)).rings) == 2
    assert find_taps(Recording(recording(MODES, taps=2), RATE)).clipped == 0
    assert find_taps(Recording(recording(MODES, loudness=3.0), RATE)).clipped == 3


def test_damping_comes_back():
    peaks = heard(recording(MODES, damping=0.006, phone=False)).peaks
    assert np.median([peak.damping for peak in peaks]) == pytest.approx(0.006, rel=0.25)


@pytest.mark.parametrize("shift", [-0.12, -0.05, 0.0, 0.08])
def test_modes_are_paired_though_some_are_missing_and_the_room_adds_some(shift):
    kept = [0, 2, 3, 5, 6, 8, 9]
    peaks = [Peak(MODES[k] * (1 + shift), 0.3, -6.0, 0.004) for k in kept]
    peaks = sorted([*peaks, Peak(78.0, 0.3, -25.0, 0.004)], key=lambda peak: peak.hertz)
    pairing = pair_modes([MODES], peaks)
    assert [mode for mode, _ in pairing.pairs] == kept
    assert pairing.shift == pytest.approx(shift, abs=1e-6)
    assert pairing.enough


def test_one_frequency_is_not_enough_and_even_spacing_is_ambiguous():
    assert not pair_modes([MODES], [Peak(94.0, 0.3, 0.0, 0.004)]).enough
    even = 100.0 * 1.12 ** np.arange(8)
    pairing = pair_modes([even], [Peak(hertz * 1.06, 0.3, 0.0, 0.004) for hertz in even[2:5]])
    assert pairing.rival_shift is not None
    assert not pairing.enough


# First six frequency parameters of a square plate with four free edges, nu 0.3, omega a2 sqrt(rho/D): A. W. Leissa,
# Vibration of Plates, NASA SP-160 (1969), by Ritz with beam functions, so from above by up to 1 % (from memory; the
# first five are printed to four figures in the guide VPCS, sheet SDLS01).
LEISSA_FREE_SQUARE = np.array([13.489, 19.789, 24.432, 35.024, 35.024, 61.526])
SIDE = 300.0


def free_square():
    panel = lid(SIDE, SIDE, demands=(), loads=())
    return replace(panel, material=replace(panel.material, nu=0.3))


def leissa_hertz(panel, t):
    D = panel.material.bending_stiffness(t)
    return LEISSA_FREE_SQUARE / (2 * np.pi * SIDE**2) * np.sqrt(D / (panel.material.rho * 1e-3 * t))


def test_a_tapped_free_plate_sounds_as_leissa_says():
    """Published frequencies through a made-up recording, and back to the modes of the shell, in vacuum as his are."""
    panel = free_square()
    mesh = mesh_panel(panel, Layout(1.0), mesh_level="normal")
    sheet = panel.material
    computed, _ = free_modes(Shell(mesh.nodes, mesh.triangles, 1.0, sheet.E, sheet.nu, sheet.rho), 6)
    published = leissa_hertz(panel, 1.0)
    assert computed == pytest.approx(published, rel=0.011)
    assert (computed < published * 1.001).all(), "Ritz errs from above"
    peaks = heard(recording(np.unique(published.round(6)), noise=0.004, hum=0.01), 200.0).peaks
    pairing = pair_modes([computed], peaks)
    assert pairing.enough and len(pairing.pairs) >= 3
    assert max(abs(peak.hertz / published[mode] - 1) for mode, peak in pairing.pairs) < 0.012
    assert abs(pairing.shift) < 0.011


def test_air_lowers_a_hanging_panel_less_than_one_in_a_wall():
    panel = free_square()
    in_air, _, mesh = hanging_modes(panel, Layout(1.0), 4)
    sheet = panel.material
    vacuum, _ = free_modes(Shell(mesh.nodes, mesh.triangles, 1.0, sheet.E, sheet.nu, sheet.rho), 4)
    assert ((in_air < vacuum) & (in_air > 0.97 * vacuum)).all()


def ones(points):
    return np.ones((len(points), 1))


@pytest.mark.parametrize(
    "shape, known, tolerance, source",
    [
        (Point(0, 0).buffer(100.0, 256), 8 / 3 * 100.0**3, 0.03, "Lamb, Hydrodynamics, art. 102: 8/3 rho a3"),
        (box(0, 0, 100, 100), 0.579 * np.pi / 4 * 100.0**3, 0.005, "DNV-RP-H103 appendix A, square (from memory)"),
        (box(0, 0, 200, 100), 0.757 * np.pi / 4 * 100.0**2 * 200, 0.005, "the same, 2 : 1"),
    ],
)
def test_added_mass_of_a_plate_without_a_wall(shape, known, tolerance, source):
    assert added_mass_of_free(shape, ones, 1.0)[0, 0] == pytest.approx(known, rel=tolerance), source


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_the_tap_of_a_hanging_panel_finds_the_depth_of_its_beads(seed):
    panel, layout = lid(400.0, 300.0), Layout(1.0, rows(B16, (75.0, 150.0, 225.0), 30.0, 370.0))
    truth = Responses(panel, layout, (), "quick", parts=(HANGING,), told=(HANGING,)).of(Build(0.96, (("B16", 3.2),)))
    spectrum = heard(recording(truth, noise=0.003, hum=0.01, seed=seed), 1.2 * truth.max())
    measured = Measured((0.96,), {}, (), {HANGING: spectrum.peaks})
    proof = make_proof(panel, layout, PushPlan((), 0.0, "", "none"), measured, mesh_level="quick")
    assert proof.pairings[HANGING].enough
    fitting = proof.answer.fitting
    assert len(fitting) == 1 and fitting[0].varied == DEPTH
    assert dict(fitting[0].build.depths)["B16"] == pytest.approx(3.2, abs=0.2)


# ------------------------------------------------------------------------------------------------------------- files


def write_wav(path, samples, rate=RATE):
    wavfile.write(path, int(rate), (samples * 32767).astype(np.int16))
    return path


def test_wav_in_the_forms_that_phones_write(tmp_path):
    samples = recording(MODES, taps=1)
    write_wav(tmp_path / "a.wav", samples)
    plain = read_sound(tmp_path / "a.wav")
    assert plain.rate == RATE and plain.samples == pytest.approx(samples, abs=1e-4)
    stereo = np.column_stack([0.1 * samples, samples]).astype(np.float32)
    wavfile.write(tmp_path / "b.wav", int(RATE), stereo)
    assert read_sound(tmp_path / "b.wav").samples == pytest.approx(samples, abs=1e-6)
    wavfile.write(tmp_path / "c.wav", int(RATE), (128 + 127 * samples).astype(np.uint8))
    assert read_sound(tmp_path / "c.wav").samples == pytest.approx(samples, abs=0.02)


@pytest.mark.parametrize(
    "name, samples, what",
    [
        ("short", np.ones(4000) * 0.3, "too short for a tap"),
        ("silent", np.zeros(60000), "is silent"),
        ("long", np.zeros(int(121 * 8000)), "lasts 121 s"),
    ],
)
def test_recordings_that_say_nothing_are_refused(tmp_path, name, samples, what):
    rate = 8000 if name == "long" else RATE
    with pytest.raises(InputError, match=what):
        read_sound(write_wav(tmp_path / f"{name}.wav", samples, rate))


def test_files_that_are_no_sound_are_refused(tmp_path):
    (tmp_path / "text.wav").write_text("not a sound")
    with warnings.catch_warnings(), pytest.raises(InputError, match="cannot be read as sound"):
        read_sound(tmp_path / "text.wav")
    with pytest.raises(InputError, match="no such file"):
        read_sound(tmp_path / "none.wav")
    (tmp_path / "tap.m4a").write_bytes(b"1234")
    with pytest.raises(InputError, match="only WAV is read here|cannot be read as sound"):
        read_sound(tmp_path / "tap.m4a")


@pytest.mark.skipif(util.find_spec("soundfile") is None, reason="soundfile is an extra of the user's own")
def test_flac_is_read_where_soundfile_is_installed(tmp_path):
    import soundfile

    samples = recording(MODES, taps=1)
    soundfile.write(tmp_path / "tap.flac", samples, int(RATE))
    assert read_sound(tmp_path / "tap.flac").samples == pytest.approx(samples, abs=1e-3)


def test_hum_alone_noise_alone_and_square_waves_are_no_taps():
    t = np.arange(int(3 * RATE)) / RATE
    for samples in (0.2 * np.sin(2 * np.pi * 50 * t), 0.05 * np.random.default_rng(2).normal(size=len(t))):
        with pytest.raises(InputError, match="no tap stands out"):
            find_taps(Recording(samples, RATE))
    clipped = np.clip(recording(MODES, loudness=400.0, noise=0.0), -1, 1)
    with pytest.raises(InputError, match="clipped"):
        find_taps(Recording(clipped, RATE))
