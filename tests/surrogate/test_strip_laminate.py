"""A rolled strip as a laminate: closed forms, published constants of corrugated sheet, one period of true shell."""

import numpy as np
import pytest
from support.panels import B16, B20, F24, L50, V12

from stiffen.fem.laminate import flat_sheet, stiffness_form
from stiffen.model.tools import BeadDie
from stiffen.shop.bead_section import developed_length, profile_points
from stiffen.surrogate.strip_laminate import bead_strip, flange_strip, flat_mixed_form, raised_sheet, strip_mixed_form
from stiffen.validation import corrugation

E, NU, T = 70e3, 0.33, 1.0
SWAP = np.array([1, 0, 2, 4, 3, 5])  # tables: 1 across, 2 along; strips: s along, n across


def across_and_along(mixed: np.ndarray) -> np.ndarray:
    """(6, 6) A, B, D with axis 1 across the strip."""
    return stiffness_form(mixed)[np.ix_(SWAP, SWAP)]


@pytest.mark.parametrize("z0", [0.0, 4.0, -7.0])
def test_sheet_at_a_constant_height_is_the_flat_sheet_moved(z0):
    points = np.column_stack([np.linspace(0, 10, 5), np.full(5, z0)])
    C = stiffness_form(strip_mixed_form(points, E, NU, T))
    flat = flat_sheet(E, NU, T)
    A, D = flat[:3, :3], flat[3:, 3:]
    moved = np.block([[A, z0 * A], [z0 * A, D + z0**2 * A]])
    assert pytest.approx(moved, rel=1e-9, abs=1e-6) == C
    assert stiffness_form(raised_sheet(z0, E, NU, T)) == pytest.approx(C, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize(
    ("profile", "t", "modulus", "nu", "table"),
    [
        (corrugation.sine(0.32, 0.11, 2000), 0.005, 30e9, 0.2, corrugation.SINE_CONSTANTS),
        (corrugation.trapezoid(0.0508, 0.0127, 4), 0.00635, 21e9, 0.3, corrugation.TRAPEZOID_CONSTANTS),
        (corrugation.one_sided(1.0, 0.1, 2000), 0.005, 30e9, 0.2, corrugation.ONE_SIDED_CONSTANTS),
    ],
    ids=["sine", "trapezoid", "one-sided"],
)
def test_published_constants_of_corrugated_sheet(profile, t, modulus, nu, table):
    """Ye, Berdichevsky and Yu (2014), Table 1, Eq. 19 and Eq. 11; see `stiffen.validation.corrugation`."""
    C = across_and_along(strip_mixed_form(profile, modulus, nu, t))
    for name, value in table.items():
        assert C[corrugation.CONSTANT_INDEX[name]] == pytest.approx(value, rel=0.01), name


@pytest.mark.parametrize("half_angle", [0.5, 1.1, np.pi / 2], ids=["flat arc", "arc", "half circle"])
def test_bellows_softness_of_an_arc_is_that_of_a_curved_beam(half_angle):
    """Spread of the ends of a circular arc per force.

    By bending R3 (a + 2 a cos2 a - 3 sin a cos a)/D, which is pi/2 R3/D for the half circle (curved bars: Timoshenko,
    Strength of Materials, from memory); by stretch R (a + sin a cos a) (1 - nu2)/(E t).
    """
    R, a = 12.0, half_angle
    turn = np.linspace(-a, a, 2000)
    points = np.column_stack([R * np.sin(turn), R * (np.cos(turn) - np.cos(a))])
    D = E * T**3 / 12 / (1 - NU**2)
    bending = R**3 * (a + 2 * a * np.cos(a) ** 2 - 3 * np.sin(a) * np.cos(a)) / D
    stretch = R * (a + np.sin(a) * np.cos(a)) * (1 - NU**2) / (E * T)
    softness = strip_mixed_form(points, E, NU, T)[3, 3] * np.ptp(points[:, 0])
    assert softness == pytest.approx(bending + stretch, rel=1e-4)


@pytest.mark.parametrize(
    ("shape", "width", "height", "pitch"), [("arc", 16, 6, 60), ("cosine", 20, 6, 40), ("vee", 12, 4, 60)]
)
def test_beaded_sheet_has_the_constants_of_one_period_of_shell(shape, width, height, pitch):
    """A, B, D of the mixture of flat sheet and bead, against one period of true shape with periodic edges."""
    profile = corrugation.bead(shape, width, height, pitch)
    shell = corrugation.plate_constants(profile, T, E, NU, 2.0)
    at = np.flatnonzero(np.abs(profile[:, 1]) > 1e-9)
    strip = profile[at[0] - 1 : at[-1] + 2]
    share = np.ptp(strip[:, 0]) / pitch
    C = across_and_along((1 - share) * flat_mixed_form(E, NU, T) + share * strip_mixed_form(strip, E, NU, T))
    scale = np.sqrt(np.outer(np.diag(shell), np.diag(shell)))
    # at sharp feet the drilling rotations of two plates cannot agree, which makes the shell's shear too stiff (see
    # `corrugation._trapezoid_cell`)
    assert np.diag(C) == pytest.approx(np.diag(shell), rel=0.04)
    assert np.abs((C - shell) / scale).max() < 0.04
    assert C[0, 0] < 0.1 * flat_sheet(E, NU, T)[0, 0]  # a bellows


@pytest.mark.parametrize("die", [B16, B20, V12, F24], ids=lambda die: die.name)
def test_strip_of_a_die(die):
    up, ratio = bead_strip(die, 1.0, "up", E, NU, T)
    down, _ = bead_strip(die, 1.0, "down", E, NU, T)
    assert ratio == pytest.approx(developed_length(die) / die.width, rel=1e-3)
    a, b = stiffness_form(up), stiffness_form(down)
    assert a[:3, :3] == pytest.approx(b[:3, :3], rel=1e-9) and a[3:, 3:] == pytest.approx(b[3:, 3:], rel=1e-9)
    assert a[:3, 3:] == pytest.approx(-b[:3, 3:], rel=1e-9, abs=1e-6)
    assert 0 < a[0, 3] / a[0, 0] < profile_points(die)[:, 1].max()
    none, _ = bead_strip(die, 0.0, "up", E, NU, T)
    assert none == pytest.approx(flat_mixed_form(E, NU, T), abs=1e-9 * np.abs(none).max())


def test_step_and_flange():
    step = BeadDie("S8", "step", 8.0, 4.0, nose_radius=2.0, shoulder_radius=2.0)
    form, ratio = bead_strip(step, 1.0, "up", E, NU, T)
    C = stiffness_form(form)
    assert ratio > 1 and C[0, 3] / C[0, 0] == pytest.approx(2.0, rel=0.05)  # half its height on average
    _, cone = flange_strip(L50, "up", E, NU, T)
    assert cone == pytest.approx(np.sqrt(2), rel=1e-9)  # L50 has a cone of 45 degrees
