"""Verdicts: values against plate theory, margins, what is not decided, the flat rival."""

from dataclasses import replace

import numpy as np
import pytest
from panels import B16, SHEET, SIX, lid, rows

from stiffen.errors import SolverError
from stiffen.judging import check, rival
from stiffen.layout import Layout
from stiffen.panel import Demand, Load, Support
from stiffen.verdict import LINEAR, NONLINEAR, UNDECIDED


def test_values_meet_plate_theory():
    # T&WK Table 8 and Leissa SP-160, a/b = 1.25 (recomputed digits); 3 figures carry 0.5 %
    D = SHEET.bending_stiffness(1.0)
    verdict = check(lid(), Layout(1.0))
    deflection, hertz, softness = verdict.demands
    assert deflection.value == pytest.approx(0.006029 * 1e-5 * 400.0**4 / D, rel=0.005)
    assert hertz.value == pytest.approx(25.291 / (2 * np.pi * 500.0**2) * np.sqrt(D / 2.68e-9), rel=0.005)
    assert softness.at == pytest.approx((250.0, 200.0), abs=20.0)
    assert [d.decided_by for d in verdict.demands] == [LINEAR, LINEAR, NONLINEAR]
    assert verdict.mass_kg == pytest.approx(0.536)
    assert verdict.mesh_error < 0.01


def test_scales_with_thickness_and_load():
    thin, thick = (check(lid(), Layout(t), grade="quick").demands for t in (1.0, 2.0))
    assert thin[0].value / thick[0].value == pytest.approx(8.0, rel=1e-6)
    assert thick[1].value / thin[1].value == pytest.approx(2.0, rel=1e-3)


HEAVY = lid(
    loads=(Load("foot", "patch", 200.0, at=(250.0, 200.0), size=(100.0, 100.0)),),
    demands=(Demand("deflection", 8.6, "foot"), Demand("stress", 0.5, "foot")),
)


def test_large_deflection_decides_beyond_half_the_thickness():
    deflection, stress = check(HEAVY, Layout(1.0), grade="quick").demands
    assert deflection.decided_by == stress.decided_by == NONLINEAR
    # a general open FE program's quadratic shells and a separate co-rotational trial: 8.29 mm, edges free to draw in
    # (nu 0.33, E 70 GPa); small-deflection theory says 62.9
    assert deflection.value == pytest.approx(8.29, rel=0.03)
    assert deflection.ratio_w_t == pytest.approx(62.9, rel=0.02)
    assert deflection.met


def test_what_the_solver_cannot_follow_is_not_decided_and_counts_as_missed(monkeypatch):
    def gives_up(*args, **kwargs):
        raise SolverError("no equilibrium was found beyond load factor 0.4")

    monkeypatch.setattr("stiffen.stand.follow", gives_up)
    verdict = check(replace(HEAVY, demands=(Demand("deflection", 1000.0, "foot"),)), Layout(1.0), grade="quick")
    demand = verdict.demands[0]
    assert demand.decided_by == UNDECIDED and demand.margin > 0
    assert not demand.met and not verdict.met
    assert "beyond load factor 0.4" in verdict.warnings[0]


def test_fasteners_are_reported():
    rivets = Support("rivets", path=((12.0, 12.0), (488.0, 12.0)), pitch=60.0, diameter=4.0, in_plane="held")
    other = replace(rivets, path=((12.0, 388.0), (488.0, 388.0)))
    rows_worst = check(replace(HEAVY, supports=(rivets, other)), Layout(1.0), grade="quick").rivets
    assert len(rows_worst) == 2
    for one in rows_worst:
        assert one.centre[0] == pytest.approx(250.0, abs=31.0)
        assert one.shear > one.pull > 200.0 / 18  # membrane tension pulls harder than the load presses


def test_unknown_hold_takes_the_worse_end():
    held = Support("rivets", path=((12.0, 12.0), (488.0, 12.0)), pitch=60.0, diameter=4.0)
    other = replace(held, path=((12.0, 388.0), (488.0, 388.0)))
    panel = lid(supports=(held, other))
    demand = check(panel, Layout(1.0, rows(B16, (150.0, 250.0), 40.0, 460.0)), grade="quick").demands[0]
    assert set(demand.by_hold) == {"held", "free"}
    assert demand.value == max(demand.by_hold.values()) and demand.in_plane == "free"


def test_mesh_error_is_honest():
    # the estimate covers the difference to a mesh of three times the nodes
    panel = lid(demands=lid().demands[:2])
    verdict, finer = (check(panel, SIX["three B16 along"], grade=g) for g in ("normal", "fine"))
    for coarse, fine in zip(verdict.demands[:2], finer.demands[:2], strict=True):
        assert abs(coarse.value / fine.value - 1) < 1.5 * coarse.error + 0.002


def test_margins():
    assert Demand("deflection", 2.0, "wind").margin(1.5) == pytest.approx(0.25)
    assert Demand("frequency", 40.0).margin(50.0) == pytest.approx(0.25)


def test_margin_inside_the_mesh_error_does_not_count():
    flat = check(lid(), SIX["three B16 along"])
    value = flat.demands[1].value
    # the refined frequency is higher than the coarse one, the refined deflection smaller: what errs to the bad side
    edge = lid(demands=(Demand("frequency", value * 1.0001),))
    assert not check(edge, SIX["three B16 along"]).met


def test_stress_and_buckling():
    # strip in pure compression: sigma = N/t; k = 4 for the SSSS square (Timoshenko & Gere)
    left, right = ((0.0, 0.0), (0.0, 300.0)), ((300.0, 0.0), (300.0, 300.0))
    loads = (
        Load("squeeze", "line", 1.0, path=left, direction=(1.0, 0.0, 0.0)),
        Load("squeeze", "line", 1.0, path=right, direction=(-1.0, 0.0, 0.0)),
    )
    panel = lid(
        300.0, 300.0, loads=loads, demands=(Demand("buckling", 1.0, "squeeze"), Demand("stress", 1.0, "squeeze"))
    )
    factor, stress = check(panel, Layout(1.0)).demands
    D = SHEET.bending_stiffness(1.0)
    assert factor.value == pytest.approx(4 * np.pi**2 * D / 300.0**2, rel=0.01)
    assert stress.value == pytest.approx(SHEET.yield_strength / 1.0, rel=0.02)


def test_rival_is_the_thinnest_flat_sheet_that_meets():
    panel = replace(lid(), gauges=(1.0, 1.5, 2.0), demands=(Demand("frequency", 30.0),))
    found = rival(panel, grade="quick")
    assert found.gauge_mm == 1.5 and found.mass_kg == pytest.approx(0.804)
    assert rival(replace(panel, demands=(Demand("frequency", 300.0),)), grade="quick").gauge_mm is None


def test_maps_hold_the_fields_of_the_values():
    verdict = check(lid(), SIX["one B16 along"], grade="quick", maps=True)
    maps = verdict.maps
    assert np.abs(maps.deflection["wind"]).max() == pytest.approx(verdict.demands[0].value)
    assert maps.modes[0][0] == pytest.approx(verdict.demands[1].value)
    assert maps.softness[:, 2].max() * 0.1 == pytest.approx(verdict.demands[2].value, rel=1e-3)
    assert maps.z.max() == pytest.approx(4.0, rel=0.02)


def test_a_sheet_that_yields_is_told():
    soft = replace(HEAVY, material=replace(SHEET, yield_strength=30.0))
    (told,) = [w for w in check(soft, Layout(1.0), grade="quick", error=False).warnings if "yield" in w]
    assert told.startswith("case foot: ") and "times" in told
    assert not any("yield" in w for w in check(lid(), Layout(1.0), grade="quick", error=False).warnings)
