"""The mass of air that moves with a panel, against Rayleigh, Lamb and the spectrum of the same integral."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.special import j0
from support.panels import EDGE, lid
from support.second_opinion import needs_sfepy

from stiffen.analysis.air_mass import AIR_DENSITY, added_mass, modes_in_fluid
from stiffen.analysis.demand_values import demand_value
from stiffen.analysis.evaluation import check
from stiffen.analysis.panel_model import build_panel_model
from stiffen.io.result_json import result_document, verdict_from_document
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Fold, PointMass
from stiffen.output.report.card_sections.demand_section import demand_table
from stiffen.output.report.shop_card import card_text
from stiffen.surrogate.laminated_panel import laminated_panel


def disc(count):
    """Points that fill a disc of radius 1 evenly (a sunflower), and their areas."""
    k = np.arange(count) + 0.5
    radius, angle = np.sqrt(k / count), k * math.pi * (1 + math.sqrt(5))
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]), np.full(count, math.pi / count)


def grid(a, b, m, n):
    """Middles of m by n equal cells of a rectangle a by b, and their areas."""
    x, y = np.meshgrid((np.arange(m) + 0.5) * a / m, (np.arange(n) + 0.5) * b / n, indexing="ij")
    return np.column_stack([x.ravel(), y.ravel()]), np.full(m * n, a * b / (m * n))


def one_side(plan, areas, shape):
    """Added mass of one side over fluid density and the integral of the shape's square."""
    return added_mass(plan, areas, shape[:, None], 1.0)[0, 0] / 2 / (areas @ shape**2)


@pytest.mark.parametrize("count", [200, 600, 5000])
def test_a_clamped_disc_carries_what_lamb_says(count):
    """beta = 0.669 rho a/(rho_p t) for w = (1 - r2/a2)^2, one side: H. Lamb, Proc. R. Soc. A 98 (1920) 205.

    The coefficient is quoted from him, with 0.6689 to 0.6691, wherever plates in water are computed.
    """
    plan, areas = disc(count)
    shape = (1 - (plan**2).sum(axis=1)) ** 2
    assert one_side(plan, areas, shape) == pytest.approx(0.669, rel=3e-3)


def test_lambs_coefficient_is_that_of_the_spectrum():
    """The same by the Hankel transform W of the shape: the integral of W^2 over all wave numbers, over 2 pi."""

    def transform(k):
        return 2 * math.pi * quad(lambda r: (1 - r * r) ** 2 * j0(k * r) * r, 0, 1)[0]

    k = np.linspace(0, 40, 801)
    mass = np.trapezoid([transform(one) ** 2 for one in k], k) / (2 * math.pi)
    assert mass / (math.pi / 5) == pytest.approx(0.669, abs=5e-4)


@pytest.mark.parametrize("count", [200, 600, 5000])
def test_a_piston_carries_what_rayleigh_says(count):
    """8/3 rho a^3 on one side of a disc that moves as a whole: Rayleigh, The Theory of Sound, vol. 2, sec. 302."""
    plan, areas = disc(count)
    assert added_mass(plan, areas, np.ones((count, 1)), 1.0)[0, 0] / 2 == pytest.approx(8 / 3, rel=3e-3)


@pytest.mark.parametrize("m", [20, 60])
def test_a_square_piston(m):
    """The double integral of 1/r over a square of side 1: 4 ln(1 + sqrt 2) + 4/3 (1 - sqrt 2), in closed form."""
    exact = (4 * math.log(1 + math.sqrt(2)) + 4 / 3 * (1 - math.sqrt(2))) / (2 * math.pi)
    plan, areas = grid(1.0, 1.0, m, m)
    assert added_mass(plan, areas, np.ones((m * m, 1)), 1.0)[0, 0] / 2 == pytest.approx(exact, rel=3e-3)


def spectral(a, b, p, q):
    """One side's added mass over density and mean square for sin(p pi x/a) sin(q pi y/b), by its Fourier transform.

    The potential of a wave of number k falls off as exp(-k z), so its share of the mass is 1/k.
    """

    def square(k, length, n):
        """Squared transform of sin(n pi x/length) on 0..length."""
        at = n * math.pi / length
        if abs(k - at) < 1e-9:
            return length**2 / 4
        wave = math.cos(k * length / 2) if n % 2 else math.sin(k * length / 2)
        return (2 * at * wave / (at * at - k * k)) ** 2

    far = 30 * math.pi * max(p / a, q / b)

    def polar(angle, k):  # dA = k dk d(angle), the 1/k of the mass cancels k
        return square(k * math.cos(angle), a, p) * square(k * math.sin(angle), b, q)

    total = 4 * dblquad(polar, 0, far, 0, math.pi / 2, epsabs=1e-4 * a * b, epsrel=1e-4)[0]
    return total / (4 * math.pi**2) / (a * b / 4)


def test_a_rectangle_that_is_simply_supported():
    a, b = 1.25, 1.0
    plan, areas = grid(a, b, 30, 24)
    shape = np.sin(math.pi * plan[:, 0] / a) * np.sin(math.pi * plan[:, 1] / b)
    assert one_side(plan, areas, shape) == pytest.approx(spectral(a, b, 1, 1), rel=3e-3)


def test_many_waves_carry_what_an_endless_plate_carries():
    """rho/k on one side of an endless plate that waves with the number k (incompressible)."""
    plan, areas = grid(1.0, 1.0, 26, 26)
    shape = np.sin(6 * math.pi * plan[:, 0]) * np.sin(6 * math.pi * plan[:, 1])
    finite = spectral(1.0, 1.0, 6, 6)
    assert finite == pytest.approx(1 / (6 * math.pi * math.sqrt(2)), rel=0.05)
    assert one_side(plan, areas, shape) == pytest.approx(finite, rel=0.02)


def test_uneven_points_and_patches_carry_the_same():
    rng = np.random.default_rng(1)
    for count in (650, 6000):
        plan, areas = disc(count)
        squeezed = plan * (0.6 + 0.4 * np.linalg.norm(plan, axis=1))[:, None]
        radius = np.linalg.norm(squeezed, axis=1)
        share = np.gradient(np.sort(radius) ** 2)[np.argsort(np.argsort(radius))]
        share *= math.pi / share.sum()
        order = rng.permutation(count)
        shape = (1 - np.minimum(radius, 1) ** 2) ** 2
        found = one_side(squeezed[order], share[order], shape[order])
        assert found == pytest.approx(0.669, rel=0.02)


def test_air_may_put_another_mode_first():
    """Two bays: 50 Hz against each other, which hardly moves air, and 51 Hz together, which does."""
    hertz, parts = modes_in_fluid(np.array([50.0, 51.0]), np.diag([0.01, 0.15]))
    assert hertz == pytest.approx([51 / math.sqrt(1.15), 50 / math.sqrt(1.01)])
    assert np.abs(parts[:, 0]) == pytest.approx([0, 1 / math.sqrt(1.15)])


# ---- panels


def model_of(panel, level="quick"):
    layout = Layout(panel.gauges[0])
    return build_panel_model(panel, layout, mesh_panel(panel, layout, mesh_level=level), "free")


@pytest.mark.parametrize("level", ["quick", "normal"])
def test_a_simply_supported_sheet_falls_by_7_percent(level):
    """500 x 400 x 1 mm aluminium: f/sqrt(1 + 2 m/(rho t)), m from the spectrum of its sine; 7.3 %."""
    model = model_of(lid(), level)
    beta = 2 * AIR_DENSITY * 1e3 * spectral(1.25, 1.0, 1, 1) * 400.0 / (model.panel.material.rho * 1.0)
    assert model.modes_in_air[0][0] / model.first_frequency == pytest.approx(1 / math.sqrt(1 + beta), rel=1e-3)
    assert 1 - model.modes_in_air[0][0] / model.first_frequency == pytest.approx(0.073, abs=0.001)


def test_thick_and_laden_sheet_minds_the_air_less():
    thin, thick = (model_of(lid(gauges=(t,))) for t in (0.5, 2.0))
    laden = model_of(lid(masses=(PointMass((250.0, 200.0), 1.0),)))
    loss = [1 - model.modes_in_air[0][0] / model.first_frequency for model in (thin, thick, laden)]
    added = [1 / (1 - one) ** 2 - 1 for one in loss]
    assert added[0] / added[1] == pytest.approx(4.0, rel=0.01)  # the same air, a quarter of the sheet
    assert loss[2] < 0.03


def test_a_folded_panel_counts_as_its_flat_blank():
    flat = lid(supports=(replace(EDGE, path=((0.0, 60.0), (500.0, 60.0), (500.0, 400.0), (0.0, 400.0), (0.0, 60.0))),))
    folded = model_of(replace(flat, folds=(Fold(((0.0, 60.0), (500.0, 60.0)), 90.0),)))
    hertz, shapes = folded.modes_in_air
    assert (hertz < folded.linear_model.modes(3)[0]).all() and shapes.shape == (len(folded.mesh.plan), 3)


def test_a_frequency_is_judged_in_air_and_told_in_vacuum():
    panel = lid()
    model = model_of(panel)
    value = demand_value(model, Demand("frequency", 24.0))
    assert value.value == model.modes_in_air[0][0] < 24.0 < model.first_frequency == value.value_in_vacuum
    one = next(d for d in check(panel, Layout(1.0), mesh_level="quick").demands if d.kind == "frequency")
    assert (one.value, one.value_in_vacuum) == (value.value, value.value_in_vacuum)
    between = replace(panel, demands=(Demand("frequency", 24.0),))
    verdict = check(between, Layout(1.0), mesh_level="quick", fields=True)
    assert not verdict.met and verdict.fields.modes[0][0] == pytest.approx(value.value)
    assert verdict.demands[0].margin == pytest.approx(value.value / 24 - 1)
    words = " ".join("\n".join(demand_table(verdict)).split())
    assert "Frequency: with the air that moves along, edges as in a wall (cautious); in vacuum 25.2 Hz." in words
    assert "in vacuum 25.2 Hz" in " ".join(card_text(between, verdict).split())


def test_the_surrogate_counts_the_air_too():
    panel = lid(demands=(Demand("frequency", 24.0),))
    surrogate = laminated_panel(panel, 1.0).respond(Layout(1.0)).values[0]
    shell = demand_value(model_of(panel), panel.demands[0])
    assert surrogate.value == pytest.approx(shell.value, rel=5e-3)
    assert surrogate.value_in_vacuum == pytest.approx(shell.value_in_vacuum, rel=5e-3)


def test_both_frequencies_are_stored_and_those_without_air_evaluated_again():
    panel = lid(demands=(Demand("frequency", 20.0), Demand("deflection", 1.0, "wind")))
    verdict = check(panel, Layout(1.0), mesh_level="quick")
    stored = json.loads(json.dumps(result_document(panel, verdict)))
    assert stored["demands"][1]["value_in_vacuum"] is None
    assert verdict_from_document(panel, verdict.layout, stored).demands == verdict.demands
    del stored["demands"][0]["value_in_vacuum"]
    assert verdict_from_document(panel, verdict.layout, stored) is None


@needs_sfepy
def test_another_element_is_compared_in_the_same_air():
    verdict = check(lid(demands=(Demand("frequency", 20.0),)), Layout(1.0), mesh_level="quick", second_opinion=True)
    other = verdict.second_opinion["frequency"]
    assert other["value"] == pytest.approx(verdict.demands[0].value, rel=0.01)
    assert abs(other["difference"]) < 0.01
