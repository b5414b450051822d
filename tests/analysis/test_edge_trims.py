"""Stiff edge trims: beams along the sheet, against beam formulas and the plate with edge tubes."""

from dataclasses import replace

import numpy as np
import pytest
from support.panels import EDGE, SHEET, SHOP, lid

from stiffen.analysis.evaluation import check
from stiffen.analysis.panel_model import build_panel_model
from stiffen.errors import SolverError
from stiffen.fem.corotational import State
from stiffen.fem.nonlinear import follow_path
from stiffen.fem.rotations import rotation_matrices
from stiffen.fem.shell import rigid_body_modes
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, EdgeTrim, Fold, Load, Panel, Support
from stiffen.model.sheet_geometry import SheetGeometry
from stiffen.validation.panels import edge_tubes

L, B = 400.0, 40.0
NO_CROSS = replace(SHEET, nu=0.0)  # so that a strip bends like a beam
LONG = ((0.0, 0.0), (L, 0.0)), ((0.0, B), (L, B))
ENDS = ((0.0, 0.0), (0.0, B)), ((L, 0.0), (L, B))
EI = 2e6  # N mm2 of each tube; the strip's is 70e3 40/12 = 0.23e6


def strip(tubes=LONG, force=-1e-3, **more):
    """A clamped strip with a tube along each long side, under a line load (N/mm) across its far end."""
    panel = Panel(
        "strip",
        NO_CROSS,
        (1.0,),
        ((0.0, 0.0), (L, 0.0), (L, B), (0.0, B)),
        SHOP,
        supports=(Support("edge", "clamped", "held", path=ENDS[0]),),
        loads=(Load("end", "line", -force, path=ENDS[1]),),
        trims=tuple(EdgeTrim(0.0, path, EI) for path in tubes),
    )
    panel = replace(panel, **more)
    return build_panel_model(panel, Layout(1.0), mesh_panel(panel, Layout(1.0), mesh_level="quick"), "held")


def test_cantilever_on_two_tubes():
    """Tip: P L^3/(3 EI), EI of the sheet and both tubes."""
    model = strip()
    tip = -model.linear_solution("end")[1][2::6][model.mesh.paths[ENDS[1]]].mean()
    stiffness = SHEET.E * B / 12 + 2 * EI
    assert tip == pytest.approx(1e-3 * B * L**3 / (3 * stiffness), rel=0.005)


def test_a_tube_round_the_outline_is_closed():
    """A tube along the whole outline, and the same along its four sides."""
    round_it = strip(tubes=(None,)).linear_solution("end")[1]
    assert strip(tubes=(*LONG, *ENDS)).linear_solution("end")[1] == pytest.approx(round_it, abs=1e-9)


def test_the_plate_on_edge_tubes_of_the_books():
    """T&WK Table 47, square, nu 0.3, from memory: EI/(a D) -> w D/(q a^4); the last figure is not sure.

    The series is also a source of known values in the validation table.
    """
    for ratio, value in ((100.0, 0.00409), (30.0, 0.00416), (10.0, 0.00434), (4.0, 0.00472), (1.0, 0.00624)):
        assert edge_tubes(ratio)[0] == pytest.approx(value, abs=1.01e-5)
    assert edge_tubes(1e9)[0] == pytest.approx(0.00406235, rel=1e-5)  # rigid: supported all round
    assert edge_tubes(0.0) == pytest.approx((0.01309, 0.01501), rel=4e-4)  # none: free sides


def test_motion_as_a_rigid_body_bends_no_tube():
    model = strip(tubes=(None,), folds=(Fold(((0.0, 30.0), (L, 30.0)), 70.0),), loads=())
    motions = rigid_body_modes(model.mesh.nodes)
    assert (
        np.abs(model.linear_model.attached_stiffness @ motions).max()
        < 1e-9 * np.abs(model.linear_model.attached_stiffness).max() * np.abs(motions).max()
    )


def test_supports_do_not_carry_what_tubes_hand_on():
    """Reactions at the clamped end are the force P and moment P L, part of it from the tubes; none elsewhere."""
    model = strip()
    forces, u = model.linear_solution("end")
    reactions = model.linear_model.reactions(u, forces).reshape(-1, 6)
    root = model.mesh.paths[ENDS[0]]
    assert reactions[root, 2].sum() == pytest.approx(1e-3 * B)
    assert reactions[root, 4].sum() == pytest.approx(-1e-3 * B * L, rel=1e-6)
    assert not np.delete(reactions, root, axis=0).any()


def test_large_deflection_starts_with_the_same_tubes():
    model = strip(force=-1e-5)
    far = model.equilibrium_path("end")
    assert far.end_state.displacements[:, 2] == pytest.approx(model.linear_solution("end")[1][2::6], rel=1e-3, abs=1e-6)
    assert far.reactions.reshape(-1, 6)[model.mesh.paths[ENDS[0]], 2].sum() == pytest.approx(1e-5 * B, rel=1e-4)
    bare = strip(tubes=(), force=-1e-5)
    assert bare.equilibrium_path("end").max_displacements[-1] > 10 * far.max_displacements[-1]


def test_a_stiff_tube_makes_a_panel_that_passes():
    side = ((0.0, 0.0), (500.0, 0.0))
    three = tuple(
        replace(EDGE, path=path)
        for path in (((0.0, 0.0), (0.0, 400.0)), ((0.0, 400.0), (500.0, 400.0)), ((500.0, 0.0), (500.0, 400.0)))
    )
    open_sided = lid(supports=three, demands=(Demand("frequency", 20.0), Demand("deflection", 0.4, "wind")))
    without = check(open_sided, Layout(1.0), mesh_level="quick")
    with_it = check(replace(open_sided, trims=(EdgeTrim(0.05, side, 5e7),)), Layout(1.0), mesh_level="quick")
    assert not without.met and with_it.met
    # a stiff tube all but supports the free side: 25.291 for SSSS with a/b = 1.25 (Leissa SP-160)
    hertz = [v.demands[0].value for v in (without, with_it)]
    unit = np.sqrt(SHEET.bending_stiffness(1.0) / 2.68e-9) / (2 * np.pi * 500.0**2)
    assert 0.9 * 25.291 * unit < hertz[1] < 25.291 * unit
    assert hertz[0] < 0.75 * hertz[1]


def test_forces_of_beams_are_the_gradient_of_their_energy_at_any_deflection():
    """Forces are the gradient of the energy, the stiffness that of the forces (symmetric part), by finite differences.

    Forces balance; a rigid-body motion changes neither energy nor forces in the rotated frame.
    """
    rng = np.random.default_rng(4)
    model = strip(tubes=(None,))
    beams, n = model.trim_beams, len(model.mesh.nodes)
    bent = State.at_rest(n).updated((rng.normal(size=(n, 2, 3)) * [[[0.5], [0.05]]]).ravel())
    forces, work, K = beams.respond(bent)
    for _ in range(4):
        step = rng.normal(size=6 * n)
        up, down = (beams.respond(bent.updated(sign * 1e-5 * step))[1] for sign in (1, -1))
        assert (up - down) / 2e-5 == pytest.approx(forces @ step, rel=1e-6)
    place = model.mesh.nodes + bent.displacements
    assert np.abs(rigid_body_modes(place).T @ forces).max() < 1e-9 * np.abs(forces).max() * np.abs(place).max()
    turn = rotation_matrices(np.array([[0.4, -0.9, 1.3]]))[0]
    moved = State(place @ turn.T + [10.0, -20.0, 5.0] - model.mesh.nodes, turn @ bent.rotations)
    far, same, _ = beams.respond(moved)
    assert same == pytest.approx(work, rel=1e-9)
    both = far.reshape(-1, 3) @ turn
    assert both == pytest.approx(forces.reshape(-1, 3), abs=1e-9 * np.abs(forces).max())
    few = rng.choice(np.flatnonzero(np.diff(K.indptr)), 40, replace=False)
    unit = np.eye(6 * n)[few]
    rises = [
        (beams.respond(bent.updated(1e-6 * e))[0] - beams.respond(bent.updated(-1e-6 * e))[0]) / 2e-6 for e in unit
    ]
    found = np.array(rises)[:, few]
    dense = K[few][:, few].toarray()
    assert dense == pytest.approx((found + found.T) / 2, abs=1e-6 * np.abs(dense).max())


def test_a_strip_rolled_up_by_moments_on_its_tubes_is_an_arc():
    """Tip under M in all: u = L - R sin(L/R), w = R (1 - cos(L/R)), R = EI/M with EI of sheet and tubes; 69 degrees."""
    model = strip()
    tips = [model.mesh.paths[line][-1] for line in LONG]
    R = L / 1.2
    forces = np.zeros((len(model.mesh.nodes), 6))
    forces[tips, 4] = -(SHEET.E * B / 12 + 2 * EI) / R / 2
    path = follow_path(model.linear_model.shell, model.restraints.fixed, forces.ravel(), edge_beams=model.trim_beams)
    for u, _, w in path.end_state.displacements[tips]:
        assert w == pytest.approx(R * (1 - np.cos(1.2)), rel=2e-3)
        assert -u == pytest.approx(L - R * np.sin(1.2), rel=2e-3)


# ---- round-off beside a stiff tube

TUBE = 261e6  # N mm2, a steel tube of 20 mm


def wall(stiffness, mesh_level="normal", t=0.5):
    """A plain wall 1200 x 600 clamped at its foot, with a tube along its top edge that is pushed across, 80 N."""
    top = ((0.0, 600.0), (1200.0, 600.0))
    panel = Panel(
        "wall",
        SHEET,
        (t,),
        ((0.0, 0.0), (1200.0, 0.0), (1200.0, 600.0), (0.0, 600.0)),
        SHOP,
        supports=(Support("edge", "clamped", "held", path=((0.0, 0.0), (1200.0, 0.0))),),
        loads=(Load("push", "line", 80 / 1200, path=top),),
        trims=(EdgeTrim(0.3, top, stiffness),),
    )
    return build_panel_model(panel, Layout(t), mesh_panel(panel, Layout(t), mesh_level=mesh_level), "held")


def test_a_stiff_tube_on_a_plain_wall_is_solved():
    """The wall bends as a cantilever under its stiff edge: P L^3/(3 D b) and, with nu held off by the tube, near it."""
    model = wall(TUBE, "fine")
    u = model.linear_solution("push")[1]
    tip = -u[2::6][np.abs(model.mesh.plan[:, 1] - 600) < 1e-6]
    beam = 80 * 600**3 / (3 * SHEET.E * 1200 * 0.5**3 / 12)
    assert np.ptp(tip) < 0.01 * tip.mean()  # the tube keeps the edge straight
    assert beam * (1 - SHEET.nu**2) * 0.98 < tip.mean() < beam


def test_a_missing_thousandth_of_the_load_is_caught():
    """Displacements under 0.999 of the load are refused, with the tube as without; the right ones are not."""
    for stiffness in (0.0, TUBE):
        model = wall(stiffness)
        forces, u = model.linear_solution("push")
        model.linear_model.check_balance(u, forces)
        with pytest.raises(SolverError, match="do not balance"):
            model.linear_model.check_balance(0.999 * u, forces)


def test_a_tube_that_round_off_cannot_carry_is_named():
    """EI of a solid bar a third of a metre thick on a thin wall: the message names the trim."""
    with pytest.raises(SolverError, match="the edge trim's stiffness is so great against the sheet's"):
        wall(1e13, "fine").linear_solution("push")


def test_a_tube_on_a_part_of_a_curved_edge():
    """Named by its two ends: the arch of a wall; the same as by all its points, and stiffer than none."""
    arch = tuple((300 + 300 * np.cos(a), 300 + 80 * np.sin(a)) for a in np.linspace(0.0, np.pi, 41))
    ring = tuple((float(x), float(y)) for x, y in ((0.0, 0.0), (600.0, 0.0), *arch))
    path = SheetGeometry(ring).outline_path((600.0, 300.0), (0.0, 300.0))
    assert len(path) == 41
    held = Support("edge", in_plane="held", path=((0.0, 300.0), (0.0, 0.0), (600.0, 0.0), (600.0, 300.0)))
    plain = Panel("cheek", SHEET, (1.0,), ring, SHOP, supports=(held,))
    mesh = mesh_panel(replace(plain, trims=(EdgeTrim(0.0, path, TUBE),)), Layout(1.0), mesh_level="quick")
    soft, stiff = (
        build_panel_model(replace(plain, trims=trims), Layout(1.0), mesh, "held").first_frequency
        for trims in ((), (EdgeTrim(0.0, path, TUBE),))
    )
    assert stiff > 1.2 * soft
