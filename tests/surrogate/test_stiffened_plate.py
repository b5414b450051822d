"""The surrogate against the shell model and plain products, and its gains against finite differences."""

from dataclasses import replace

import numpy as np
import pytest
from stiffen.surrogate.stiffened_plate import stiffened_plate
from stiffen.surrogate.stiffeners import flange_inertia
from support.panels import B16, HOLED, SIX, lid, rows

from stiffen.analysis.evaluation import check
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Fold, Support


@pytest.mark.parametrize("name", SIX)
def test_surrogate_agrees_with_the_shell_model(name):
    layout = SIX[name]
    verdict = check(lid(), layout, mesh_error=False)
    here = stiffened_plate(lid(), 1.0, layout.beads)
    response = here.respond(tuple(range(len(layout.beads))))
    assert response.values[0] == pytest.approx(verdict.demands[0].value, rel=0.08)
    assert response.values[1] == pytest.approx(verdict.demands[1].value, rel=0.08)


def test_flat_plate_meets_the_navier_series():
    # T&WK Table 8, a/b = 1.25: alpha 0.00603 (recomputed 0.006029); Leissa: lam = 25.291 (long side)
    here = stiffened_plate(lid(), 1.0)
    D = here.panel.material.bending_stiffness(1.0)
    response = here.respond(())
    assert response.values[0] == pytest.approx(0.006029 * 1e-5 * 400.0**4 / D, rel=0.005)
    hertz = 25.291 / (2 * np.pi * 500.0**2) * np.sqrt(D / (2.68e-6 * 1e-3))
    assert response.values[1] == pytest.approx(hertz, rel=0.005)


def test_a_plate_like_another_is_the_same_plate():
    beads = SIX["three B16 along"].beads
    like = stiffened_plate(lid(), 0.8, beads)
    plain, quick = stiffened_plate(lid(), 1.2, beads), stiffened_plate(lid(), 1.2, beads, reuse=like)
    assert quick.samples is like.samples and plain.respond((0, 2)).values == quick.respond((0, 2)).values
    assert stiffened_plate(lid(), 1.2, beads[:1], reuse=like).samples.beads == beads[:1]


@pytest.mark.slow
def test_pattern_sum_equals_plain_products():
    layout = SIX["two F24 aslant"]
    here = stiffened_plate(lid(), 1.0, layout.beads)
    plain = here.K0 + sum(
        here.curvature_rows[a:b].T @ np.diag(here.weights[a:b]) @ here.curvature_rows[a:b].toarray()
        for a, b in zip(here.first_rows[:-1], here.first_rows[1:], strict=True)
    )
    assert abs(here.stiffness((0, 1)) - plain).max() < 1e-9 * abs(plain).max()


def test_rib_energy_of_a_uniform_curvature():
    # u = x^2/2 bends every bead along x by exactly one: energy is the sum of E I ds along it
    layout = SIX["three B16 along"]
    here = stiffened_plate(lid(), 1.0, layout.beads)
    x = here.mesh.plan[:, 0]
    full = np.stack([x**2 / 2, 0 * x, -x], axis=1).ravel()
    u = here._free_rows(full)
    held = np.setdiff1d(np.arange(len(full)), np.flatnonzero(here.dof_numbers >= 0))
    assert len(held) and len(u) + len(held) == len(full)
    rows = here.curvature_rows[here.first_rows[0] : here.first_rows[1]]
    inner = np.abs(rows @ u + 1) < 1e-9  # samples in triangles without a held corner
    assert inner.mean() > 0.9


def test_gains_are_the_slope_of_the_values():
    layout = SIX["B20 and B16 mixed"]
    here = stiffened_plate(lid(), 1.0, layout.beads)
    base = here.respond((0, 1))
    step = 1e-4
    for i, demand in enumerate(lid().demands):
        gains = here.gains(base, {i: 1.0})
        for k in (2, 3):
            place, value = here.stiffness_of(k)
            nudged = here.K0.data.copy()
            np.add.at(nudged, place, step * value)
            moved = with_stiffness(here, nudged).respond((0, 1)).values[i]
            before = base.values[i]
            ratio = lambda v, d=demand: v / d.limit if d.at_most else d.limit / v  # noqa: E731
            assert gains[k] == pytest.approx((ratio(before) - ratio(moved)) / step, rel=0.01)


def with_stiffness(here, data):
    from dataclasses import replace

    import scipy.sparse as sp

    return replace(here, K0=sp.csc_matrix((data, here.K0.indices, here.K0.indptr), shape=here.K0.shape))


def test_adding_a_bead_never_makes_the_plate_softer():
    layout = SIX["five B20 along"]
    here = stiffened_plate(lid(), 1.0, layout.beads)
    values = [here.respond(tuple(range(k))).values for k in range(6)]
    for before, after in zip(values, values[1:], strict=False):
        assert after[0] < before[0] and after[1] > before[1] and after[2] <= before[2] * (1 + 1e-9)


def test_flared_holes_agree_with_the_shell_model():
    verdict = check(lid(), HOLED, mesh_error=False)
    here = stiffened_plate(lid(), 1.0, (), HOLED.holes)
    response = here.respond((0, 1))
    assert response.values[1] == pytest.approx(verdict.demands[1].value, rel=0.05)
    shifts = here.dof_numbers[::3][here.dof_numbers[::3] >= 0]
    lost = (here.node_mass(()) - here.node_mass((0, 1)))[shifts].sum()
    assert lost == pytest.approx(2.68e-6 * np.pi / 4 * (35.86**2 + 46.03**2), rel=0.02)


def test_softness_is_found_where_the_sheet_is_softest():
    panel = lid(demands=(Demand("softness", 0.01, force=0.1),))
    value = stiffened_plate(panel, 1.0).respond(()).values[0]
    D = panel.material.bending_stiffness(1.0)
    # T&WK Table 23, a/b = 1.25: beta 0.01394 (recomputed)
    assert value == pytest.approx(0.1 * 0.01394 * 400.0**2 / D, rel=0.02)
    assert check(panel, Layout(1.0), mesh_error=False).demands[0].value == pytest.approx(
        0.1 * 0.01394 * 400.0**2 / D, rel=0.01
    )


@pytest.mark.slow
def test_folded_edges_agree_with_the_shell_model():
    """A tray with two flanges 30 mm high, bare and with beads: within 15 % (the flanges' own lag is left out)."""
    folds = (Fold(((0.0, 30.0), (500.0, 30.0)), 90.0, 2.0), Fold(((0.0, 370.0), (500.0, 370.0)), 90.0, 2.0))
    ends = tuple(Support("edge", in_plane="free", path=((x, 30.0), (x, 370.0))) for x in (0.0, 500.0))
    tray = lid(folds=folds, supports=ends)
    for beads in ((), rows(B16, (120.0, 200.0, 280.0))):
        verdict = check(tray, Layout(1.0, beads), mesh_level="quick", mesh_error=False)
        values = stiffened_plate(tray, 1.0, beads).respond(tuple(range(len(beads)))).values
        assert values[1] == pytest.approx(verdict.demands[1].value, rel=0.15)
    flat = stiffened_plate(replace(tray, folds=()), 1.0).respond(()).values[1]
    assert flat < 0.7 * stiffened_plate(tray, 1.0).respond(()).values[1]


def test_second_moment_of_a_flange():
    """By the parallel axis theorem for an L of two equal thin legs: 5 t a^3/24 about its centroid's axis."""
    assert flange_inertia(50.0, 90.0, 1.0) == pytest.approx(5 * 50.0**3 / 24)
    assert flange_inertia(50.0, 0.0, 1.0) == 0.0
