"""How bending stiffness builds up at the ends of beads; long strips against beam theory and the shell model."""

import math
from dataclasses import replace

import numpy as np
import pytest
from support.panels import B20, F24, SHEET, V12, lid

from stiffen.analysis.demand_values import demand_value
from stiffen.analysis.panel_model import meshed_model
from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Demand, Load, Support
from stiffen.shop.bead_section import section_properties
from stiffen.surrogate.bead_ends import bending_gain, shear_lag, stiffening_depth
from stiffen.surrogate.laminated_panel import laminated_panel

LONG, WIDE = 800.0, 120.0
DEMANDS = (Demand("frequency", 10.0), Demand("deflection", 1.0, "push"))
STRIP = lid(
    LONG,
    WIDE,
    supports=tuple(Support("edge", in_plane="free", path=((x, 0.0), (x, WIDE))) for x in (0.0, LONG)),
    loads=(Load("push", "patch", 0.1, at=(LONG / 2, WIDE / 2), size=(60.0, 60.0)),),
    demands=DEMANDS,
)


def test_a_square_end_builds_up_as_an_exponential():
    die = replace(B20, run_out=0.01)
    along = np.linspace(0.5, 60.0, 20)
    found = stiffening_depth(die, along, 400.0, False, 0.33) ** 2
    assert found == pytest.approx(1 - np.exp(-along / shear_lag(die, 0.33)), abs=2e-3)


def test_lag_is_that_of_the_first_term_of_the_series():
    """Laplace's equation in the stretched strip, u = cos(pi y / 2c) exp(-x / lag), by finite differences across it."""
    nu, half, n = 0.33, 13.0, 400
    h = half / n
    # from the crest (symmetry) to the foot (u = 0): -G u_yy = E u / lag2
    across = (np.diag(np.full(n, 2.0)) - np.diag(np.ones(n - 1), 1) - np.diag(np.ones(n - 1), -1)) / h**2
    across[0, 0] = 1 / h**2
    least = np.linalg.eigvalsh(across)[0]
    flat_die = replace(B20, depth=0.2, width=2 * half)
    assert shear_lag(flat_die, nu) == pytest.approx(math.sqrt(2 * (1 + nu) / least), rel=2e-3)


@pytest.mark.parametrize("length", [25.0, 60.0, 500.0])
def test_ends_are_alike_and_carry_nothing(length):
    along = np.linspace(0.0, length, 101)
    found = stiffening_depth(B20, along, length, False, 0.33)
    assert found == pytest.approx(found[::-1], abs=1e-9)
    assert found[0] == 0.0 and np.all((found >= 0) & (found <= 1))
    assert found[50] == pytest.approx(1.0, abs=1e-3) if length > 400 else found[50] < 1.0


def test_a_closed_bead_has_no_ends():
    assert stiffening_depth(B20, np.array([0.0, 100.0]), 100.0, True, 0.33) == pytest.approx(1.0)


def test_gain_is_that_of_a_wall_at_a_height():
    """A flat-topped bead with steep flanks is nearly a wall at its depth: 12 d2/t2 over the width of its top."""
    die = replace(F24, width=200.0, depth=5.0, flank=80.0)
    assert bending_gain(die, 1.0) == pytest.approx(12 * 5.0**2, rel=0.05)


@pytest.mark.parametrize("die", [V12, B20, F24], ids=lambda die: die.name)
@pytest.mark.parametrize("size", [None, 14.0, 10.0])
def test_a_strip_beaded_from_end_to_end_is_a_beam(die, size):
    """First frequency of a simply supported beam, (pi/2) sqrt(EI/m) / L2, I of the whole section."""
    bead = Bead(die, ((0.0, WIDE / 2), (LONG, WIDE / 2)), open_ends=(True, True))
    section = section_properties(die, 1.0, WIDE)
    beam = math.pi / 2 / LONG**2 * math.sqrt(SHEET.E * section.I / (SHEET.rho * section.area * 1e-3))
    panel = replace(STRIP, demands=DEMANDS[:1])
    found = laminated_panel(panel, 1.0, size=size).model_of(Layout(1.0, (bead,)), "free").first_frequency
    assert found == pytest.approx(beam, rel=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("run_out", [3.0, 10.0, 20.0, 40.0])
@pytest.mark.parametrize("die", [V12, B20], ids=lambda die: die.name)
def test_a_bead_short_of_the_supports_is_the_shells(die, run_out):
    bead = Bead(replace(die, run_out=run_out), ((200.0, 60.0), (600.0, 60.0)))
    layout = Layout(1.0, (bead,))
    shell = demand_value(meshed_model(STRIP, layout, "normal"), DEMANDS[1]).value
    ours = laminated_panel(STRIP, 1.0).respond(layout).values[1].value
    assert ours == pytest.approx(shell, rel=0.04)
