"""Folded panels by the shell model: flanges, loads and supports on them, the error of a sharp fold."""

import math
from dataclasses import replace

import numpy as np
import pytest
from support.panels import B16, SHEET, SHOP, lid, rows
from support.second_opinion import needs_sfepy

from stiffen.analysis.evaluation import check
from stiffen.analysis.panel_model import build_panel_model
from stiffen.analysis.supports import FREE, HELD
from stiffen.mesh.normals import node_normals
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Demand, Fold, Load, Panel, Support

NO_CROSS = replace(SHEET, nu=0.0)
A, B, H = 300.0, 200.0, 25.0  # base of the tray and height of its flanges, mm


def notched():
    """The blank of a tray: base A x B, flanges H on all four sides, reliefs 2 mm into the base at the corners."""
    x0, x1, y0, y1 = -H, A + H, -H, B + H
    return (
        *((x0, 2.0), (2.0, 2.0), (2.0, y0), (A - 2, y0), (A - 2, 2.0), (x1, 2.0)),
        *((x1, B - 2), (A - 2, B - 2), (A - 2, y1), (2.0, y1), (2.0, B - 2), (x0, B - 2)),
    )


FOLDS = (
    Fold(((2.0, 0.0), (A - 2, 0.0)), 90.0, 2.0),
    Fold(((A, 2.0), (A, B - 2)), 90.0, 2.0),
    Fold(((2.0, B), (A - 2, B)), 90.0, 2.0),
    Fold(((0.0, 2.0), (0.0, B - 2)), 90.0, 2.0),
)
BASE = ((10.0, 10.0), (A - 10, 10.0), (A - 10, B - 10), (10.0, B - 10), (10.0, 10.0))
TRAY = Panel(
    "tray",
    SHEET,
    (1.0,),
    notched(),
    SHOP,
    folds=FOLDS,
    supports=(Support("edge", in_plane="free", path=BASE),),
    loads=(Load("full", "pressure", 1e-4),),
    demands=(Demand("deflection", 1.0, "full"), Demand("frequency", 60.0)),
)


def model_of(panel, layout=None, assumed=FREE, grade="quick"):
    layout = layout or Layout(panel.gauges[0])
    return build_panel_model(panel, layout, mesh_panel(panel, layout, mesh_level=grade), assumed)


# ---- the folded blank


def test_a_tray_stands_up_with_its_corners_open():
    mesh = mesh_panel(TRAY, Layout(1.0), mesh_level="quick")
    assert np.ptp(mesh.nodes, axis=0) == pytest.approx([A, B, H])
    normals = node_normals(TRAY, mesh)
    x, y = mesh.plan.T
    for out, expected in (
        ((x > 0) & (x < A) & (y > 0) & (y < B), [0, 0, 1]),
        (x < 0, [1, 0, 0]),
        (x > A, [-1, 0, 0]),
        (y < 0, [0, 1, 0]),
        (y > B, [0, -1, 0]),
    ):
        assert normals[out] == pytest.approx(np.tile(expected, (out.sum(), 1)), abs=1e-12)
    on_a_line = np.abs(y) < 1e-9
    assert normals[on_a_line, 2] == pytest.approx(1.0)  # a fold line belongs to the flatter part


def test_beads_and_lips_do_not_change_where_the_sheet_faces():
    folds = tuple(Fold(((0.0, y), (500.0, y)), -60.0) for y in (30.0, 12.0))
    panel = replace(lid(), folds=folds)
    mesh = mesh_panel(panel, Layout(1.0, rows(B16, (200.0,))), mesh_level="quick")
    normals = node_normals(panel, mesh)
    y = mesh.plan[:, 1]
    assert normals[y > 31] == pytest.approx(np.tile([0, 0, 1], ((y > 31).sum(), 1)))
    lip, flange = normals[y < 11], normals[(y > 13) & (y < 29)]
    assert flange[:, 2] == pytest.approx(np.full(len(flange), 0.5))
    assert lip[:, 2] == pytest.approx(np.full(len(lip), -0.5))


# ---- loads on flanges


def test_pressure_in_a_tray_pushes_out_on_its_sides_and_down_on_its_floor():
    """Statics: the sides cancel, p A B goes down (less the reliefs); one side alone gives p times its area."""
    model = model_of(TRAY)
    forces = model.linear_solution("full")[0].reshape(-1, 6)[:, :3]
    assert forces.sum(axis=0) == pytest.approx([0, 0, -1e-4 * (A * B - 4 * 2.0**2)], abs=1e-9)
    low = model.mesh.nodes[:, 1] < 1e-9  # the side that stands on y = 0 and its fold line, which the floor shares
    side = ((2.0, -H), (A - 2, -H), (A - 2, 0.0), (2.0, 0.0))
    held = replace(TRAY.supports[0], in_plane="held")
    alone = model_of(replace(TRAY, supports=(held,), loads=(Load("full", "pressure", 1e-4, polygon=side),)))
    push = alone.linear_solution("full")[0].reshape(-1, 6)[:, :3]
    assert not push[~low].any()
    assert push.sum(axis=0) == pytest.approx([0, -1e-4 * (A - 4) * H, 0], abs=1e-9)
    moment = np.cross(alone.mesh.nodes, push).sum(axis=0)
    assert moment[0] == pytest.approx(1e-4 * (A - 4) * H * H / 2)


def test_a_flange_bends_as_a_cantilever_under_pressure():
    """p H^4/(8 D) at its lip, normal to the flange, whose root the floor holds (nu = 0, a long flange).

    Deflections are measured normal to the sheet everywhere, since uz would miss a flange that opens.
    """
    long, high = 600.0, 60.0
    fold = ((0.0, high), (long, high))
    panel = Panel(
        "wall",
        NO_CROSS,
        (1.0,),
        ((0.0, 0.0), (long, 0.0), (long, high + 50.0), (0.0, high + 50.0)),
        SHOP,
        folds=(Fold(fold, 90.0),),
        supports=(Support("edge", "clamped", "held", path=fold),),
        loads=(Load("blow", "pressure", 1e-5, polygon=((0.0, 0.0), (long, 0.0), (long, high), (0.0, high))),),
        demands=(Demand("deflection", 1.0, "blow"), Demand("softness", 10.0, force=0.2)),
    )
    blown, soft = check(panel, Layout(1.0)).demands
    assert blown.value == pytest.approx(1e-5 * high**4 / (8 * SHEET.E / 12), rel=0.01)
    assert blown.at[1] == pytest.approx(0.0, abs=1e-6)
    assert soft.at[1] == pytest.approx(0.0, abs=1.0)  # the softest place is the lip, pushed normal to the flange


# ---- supports on flanges


def bracket(degrees=90.0, turned=0.0, **more):
    """A plate with a flange on either long side, riveted through the flanges; all rotated in its plane by an angle."""
    long, wide, high = 240.0, 160.0, 24.0
    sine, cosine = math.sin(math.radians(turned)), math.cos(math.radians(turned))

    def at(x, y):
        return (cosine * x - sine * y, sine * x + cosine * y)

    def line(y):
        return (at(0.0, y), at(long, y))

    rivets = Support("rivets", path=(at(15.0, high / 2), at(long - 15, high / 2)), pitch=52.5, diameter=4.0, **more)
    other = replace(rivets, path=(at(15.0, wide + 1.5 * high), at(long - 15, wide + 1.5 * high)))
    panel = Panel(
        "bracket",
        SHEET,
        (1.0,),
        (at(0.0, 0.0), at(long, 0.0), at(long, wide + 2 * high), at(0.0, wide + 2 * high)),
        SHOP,
        folds=(Fold(line(high), degrees), Fold(line(wide + high), degrees)),
        supports=(rivets, other),
        loads=(Load("push", "pressure", 2e-5),),
        demands=(Demand("deflection", 1.0, "push"),),
    )
    return panel, at


@pytest.mark.parametrize("in_plane", ["free", "held"])
def test_rivets_through_flanges_carry_the_floor_in_shear_and_the_flanges_as_pull(in_plane):
    """Statics: the rivets' shear adds up to the push on the floor, their pull on each side to that on the flange."""
    panel, _ = bracket(in_plane=in_plane)
    model = model_of(panel, assumed=in_plane)
    forces, u = model.linear_solution("push")
    reactions = model.linear_model.reactions(u, forces).reshape(-1, 6)[:, :3]
    total = sum(reactions[disc].sum(axis=0) for disc in model.restraints.fasteners.values())
    assert total == pytest.approx([0, 0, 2e-5 * 240 * 160], abs=1e-6)
    loads = model.fastener_loads("push")
    row = panel.supports[0].fasteners()
    middle = reactions[model.restraints.fasteners[row[2]]].sum(
        axis=0
    )  # no rivet there pulls along the row, by symmetry
    assert loads[row[2]][0] == pytest.approx(abs(middle[2]), rel=1e-3)
    pulls = [reactions[model.restraints.fasteners[centre], 1].sum() for centre in row]
    assert [loads[centre][1] for centre in row] == pytest.approx(np.abs(pulls), abs=1e-9)


def test_a_row_of_rivets_in_a_flange_holds_it_to_its_wall():
    """Pressure on one flange alone, along the rivets' axes: they pull p A in all, nearly all of it on that flange."""
    panel, at = bracket(in_plane="free")
    side = (at(0.0, 0.0), at(240.0, 0.0), at(240.0, 24.0), at(0.0, 24.0))
    model = model_of(replace(panel, loads=(Load("push", "pressure", 1e-4, polygon=side),)))
    forces, u = model.linear_solution("push")
    reactions = model.linear_model.reactions(u, forces).reshape(-1, 6)[:, :3]
    along = sum(reactions[disc, 1].sum() for disc in model.restraints.fasteners.values())
    assert along == pytest.approx(1e-4 * 240 * 24)
    near = sum(reactions[model.restraints.fasteners[centre], 1].sum() for centre in panel.supports[0].fasteners())
    assert near > 0.8 * along


@pytest.mark.parametrize("hold", ["pinned", "clamped"])
def test_holds_on_flanges_rotate_with_the_panel(hold):
    """A hold along neither x nor y is a stiff spring; the values are those along an axis, apart from the mesh."""
    straight, turned = (
        model_of(bracket(70.0, degrees, in_plane="free", hold=hold)[0], grade="normal") for degrees in (0.0, 30.0)
    )
    assert straight.restraints.springs is None and turned.restraints.springs is not None
    pushed = [np.abs(model.deflection("push")).max() for model in (straight, turned)]
    assert pushed[1] == pytest.approx(pushed[0], rel=0.02)
    assert turned.first_frequency == pytest.approx(straight.first_frequency, rel=0.02)
    loads = [max(model.fastener_loads("push").values()) for model in (straight, turned)]
    assert loads[1] == pytest.approx(loads[0], rel=0.1)


def test_a_panel_that_only_its_flanges_hold_along_the_fold_does_not_drift():
    """Rivets free in plane hold a flange along their axis and in uz: one more DOF stops the slide along the fold."""
    panel, _ = bracket(in_plane="free")
    model = model_of(panel)
    assert len(model.restraints.drift_dofs) == 1 and model.restraints.drift_dofs[0] % 6 == 0
    forces, u = model.linear_solution("push")
    assert abs(model.linear_model.reactions(u, forces)[model.restraints.drift_dofs[0]]) < 1e-6


# ---- the sharp fold


def pan(high, radius, t, folds):
    """A pan 300 x 200 with flanges on its long sides; each bend in `folds` steps over its bend allowance."""
    allowance = math.pi / 2 * (radius + 0.447 * t)
    steps = allowance * ((np.arange(folds) + 0.5) / folds - 0.5)
    clear = high + 3 * radius + 3
    wide = B + 2 * high
    return Panel(
        "pan",
        SHEET,
        (t,),
        ((0.0, 0.0), (A, 0.0), (A, wide), (0.0, wide)),
        SHOP,
        folds=tuple(
            Fold(((0.0, float(y + s)), (A, float(y + s))), 90.0 / folds) for y in (high, wide - high) for s in steps
        ),
        supports=tuple(Support("edge", in_plane="free", path=((x, clear), (x, wide - clear))) for x in (0.0, A)),
    )


@pytest.mark.slow
@pytest.mark.parametrize(("high", "radius", "t"), [(15.0, 2.0, 1.0), (25.0, 3.0, 2.0), (15.0, 5.0, 1.0)])
def test_a_bend_as_a_sharp_line_costs_little(high, radius, t):
    """The same blank, each bend a line, or four small ones round its radius: a push at the middle, the first mode.

    The flange of a sharp fold stands lower than the bend's, 0.5 to 1 mm here, and its corner as much further out.
    """
    sharp, round_ = (model_of(pan(high, radius, t, folds), Layout(t), grade="normal") for folds in (1, 4))
    middle = (A / 2, B / 2 + high)
    assert sharp.softness_at(middle) / round_.softness_at(middle) == pytest.approx(1.0, abs=0.012)
    assert sharp.first_frequency / round_.first_frequency == pytest.approx(1.0, abs=0.008)


def test_a_channel_is_a_beam():
    """A folded channel on its ends, pushed along its floor: 5 q L^4/(384 EI) with EI of the thin-walled section.

    The section's own flexibility in shear is of the order of (height/L)^2.
    """
    long, web, high = 1500.0, 40.0, 25.0
    wide = web + 2 * high
    strip = ((0.0, high), (long, high), (long, high + web), (0.0, high + web))
    panel = Panel(
        "channel",
        NO_CROSS,
        (1.5,),
        ((0.0, 0.0), (long, 0.0), (long, wide), (0.0, wide)),
        SHOP,
        folds=(Fold(((0.0, high), (long, high)), 90.0), Fold(((0.0, high + web), (long, high + web)), 90.0)),
        supports=tuple(Support("edge", in_plane="free", path=((x, 0.0), (x, wide))) for x in (0.0, long)),
        loads=(Load("push", "pressure", 1e-5, polygon=strip),),
    )
    model = model_of(panel, Layout(1.5))
    area = 1.5 * wide
    centre = 1.5 * high**2 / area
    inertia = 2 * 1.5 * high**3 / 3 + web * 1.5**3 / 12 - area * centre**2
    beam = 5 * 1e-5 * web * long**4 / (384 * SHEET.E * inertia)
    middle = np.argmin(np.abs(model.mesh.plan - (long / 2, high)).sum(axis=1))  # the corner: the floor itself sags too
    assert -model.linear_solution("push")[1][6 * middle + 2] == pytest.approx(beam, rel=0.01)


# ---- the verdict


def test_flanges_stiffen_a_tray():
    flat = replace(TRAY, folds=())
    tray, sheet = (check(panel, Layout(1.0), mesh_level="quick") for panel in (TRAY, flat))
    assert tray.mass_kg == sheet.mass_kg
    assert tray.demands[0].value < 0.9 * sheet.demands[0].value
    assert tray.demands[1].value > 1.1 * sheet.demands[1].value


@needs_sfepy
@pytest.mark.slow
def test_a_bead_on_the_floor_of_a_tray():
    """Both elements agree on a folded sheet held along a closed line within it, chords of its corners left free."""
    beaded = Layout(1.0, (Bead(B16, ((40.0, B / 2), (A - 40, B / 2))),))
    verdict = check(TRAY, beaded, mesh_level="quick", second_opinion=True, fields=True)
    assert verdict.demands[1].value > check(TRAY, Layout(1.0), mesh_level="quick").demands[1].value
    assert all(abs(one["difference"]) < 0.05 for one in verdict.second_opinion.values())
    assert np.abs(verdict.fields.modes[0][1]).max() == pytest.approx(1.0)


def test_unknown_rivets_of_a_flange_are_evaluated_held_and_free():
    panel, _ = bracket()
    verdict = check(panel, Layout(1.0), mesh_level="quick")
    assert set(verdict.demands[0].by_in_plane_restraint) == {HELD, FREE}
    assert {one.in_plane for one in verdict.fastener_loads} <= {HELD, FREE}
    assert len(verdict.fastener_loads) == 2
