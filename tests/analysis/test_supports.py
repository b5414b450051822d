"""Restraints on the mesh, and the loads they carry."""

from dataclasses import replace

import numpy as np
import pytest
from support.panels import EDGE, SHEET, lid

from stiffen.analysis.loads import case_forces
from stiffen.analysis.panel_model import build_panel_model
from stiffen.analysis.supports import FREE, HELD, SLIP, build_restraints, in_plane_assumptions
from stiffen.errors import InputError, SolverError
from stiffen.fem.linear import LinearModel
from stiffen.fem.shell import Shell
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Load, Support

RIVETS = Support("rivets", path=((12.0, 12.0), (488.0, 12.0)), pitch=40.0, diameter=4.0)
BOLTS = Support("bolts", at=((20.0, 380.0), (480.0, 380.0)), diameter=6.0)


def solved(panel, assumed=FREE):
    mesh = mesh_panel(panel, Layout(1.0), mesh_level="quick")
    material = panel.material
    shell = Shell(mesh.nodes, mesh.triangles, 1.0, material.E, material.nu, material.rho)
    restraints = build_restraints(panel, mesh, assumed)
    model = LinearModel(shell, restraints.linear_fixed, restraints.springs)
    forces = case_forces(panel, mesh, shell.nodal_mass, "wind")
    u = model.solve(forces)
    return mesh, restraints, u, model.reactions(u, forces).reshape(-1, 6)


def test_unknown_is_evaluated_held_and_free():
    assert in_plane_assumptions(lid(supports=(RIVETS,))) == (HELD, FREE)
    assert in_plane_assumptions(lid()) == (FREE,)
    assert in_plane_assumptions(lid(supports=(EDGE, Support("bolts", at=BOLTS.at, diameter=6.0, in_plane="held")))) == (
        HELD,
    )


def test_rivets_stand_at_even_pitch_ends_included():
    centres = np.array(RIVETS.fasteners())
    assert len(centres) == 13
    assert np.diff(centres[:, 0]) == pytest.approx(476.0 / 12)


def test_fasteners_carry_the_load():
    mesh, restraints, _, reactions = solved(lid(supports=(RIVETS, BOLTS)))
    assert set(restraints.fasteners) == {*RIVETS.fasteners(), *BOLTS.at}
    nodes = np.concatenate(list(restraints.fasteners.values()))
    assert reactions[nodes, 2].sum() == pytest.approx(1e-5 * 500 * 400, rel=1e-6)


def test_free_in_plane_takes_no_force_in_plane():
    _, _, _, reactions = solved(lid())
    assert np.abs(reactions[:, :2]).max() < 1e-9


def test_clamped_edge_is_stiffer_than_pinned_and_guided_edge_carries_nothing():
    pinned = np.abs(solved(lid())[2][2::6]).max()
    clamped = np.abs(solved(lid(supports=(Support("edge", hold="clamped", in_plane="free"),)))[2][2::6]).max()
    # T&WK Tables 8 and 35, a/b = 1.25: alpha 0.00603 and 0.00182
    assert pinned / clamped == pytest.approx(0.00603 / 0.00182, rel=0.01)
    no_cross = replace(SHEET, nu=0.0)  # so that a wide strip bends like a beam
    guided = Support("edge", hold="guided", in_plane="free", path=((0.0, 0.0), (500.0, 0.0)))
    side = Support("edge", in_plane="free", path=((0.0, 400.0), (500.0, 400.0)))
    mesh, _, u, reactions = solved(lid(supports=(guided, side), material=no_cross))
    bottom = mesh.paths[guided.path]
    assert np.abs(reactions[bottom, 2]).max() < 1e-9
    assert np.abs(u.reshape(-1, 6)[bottom, 3]).max() == 0.0
    # a strip guided on one side and pinned on the other is half of a strip of twice the span: 5 q L^4 / (384 EI)
    w = np.abs(u.reshape(-1, 6)[bottom, 2])
    beam = 5 * 1e-5 * 800.0**4 / (384 * SHEET.E / 12)
    assert w.mean() == pytest.approx(beam, rel=0.01)


def test_springs_carry_load_and_give_way():
    stiff = 0.02  # N/mm per mm
    spring = Support("edge", in_plane="free", stiffness=stiff)
    mesh, restraints, u, _ = solved(lid(supports=(spring,)))
    push = -(restraints.springs @ u)[2::6]
    assert push.sum() == pytest.approx(1e-5 * 500 * 400, rel=1e-6)
    rigid = np.abs(solved(lid())[2][2::6]).max()
    assert np.abs(u[2::6]).max() > rigid + 0.5 * 1e-5 * 500 * 400 / (stiff * 1800)


def test_a_panel_without_enough_supports_is_refused():
    with pytest.raises(SolverError, match="move along z"):
        solved(lid(supports=()))
    one_side = Support("edge", in_plane="free", path=((0.0, 0.0), (500.0, 0.0)))
    with pytest.raises(SolverError, match="turn about x"):
        solved(lid(supports=(one_side,), loads=(Load("wind", "pressure", 1e-5),)))


# ---- statics of fasteners

CORNERS = ((20.0, 20.0), (480.0, 20.0), (480.0, 380.0), (20.0, 380.0))


SMALL = Load("wind", "patch", 0.6, at=(250.0, 200.0), size=(40.0, 40.0))  # N: small deflections


def model_of(supports, load=SMALL, assumed=FREE, **changes):
    panel = lid(supports=supports, loads=(load,), **changes)
    layout = Layout(panel.gauges[0])
    return build_panel_model(panel, layout, mesh_panel(panel, layout, mesh_level="quick"), assumed)


def test_three_bolts_carry_what_statics_says():
    """Three pinned bolts are statically determinate: three equations, whatever the sheet does."""
    at = ((30.0, 40.0), (460.0, 70.0), (200.0, 350.0))
    x, y, force = 310.0, 160.0, 0.6
    model = model_of(
        (Support("bolts", in_plane="free", at=at, diameter=6.0),),
        Load("wind", "patch", force, at=(x, y), size=(40.0, 40.0)),
    )
    rows = np.array([[1.0, 1.0, 1.0], *np.transpose(at)])
    shares = np.linalg.solve(rows, [force, force * x, force * y])
    loads = model.fastener_loads("wind")
    assert [loads[centre][1] for centre in at] == pytest.approx(shares, rel=1e-6)
    assert [loads[centre][0] for centre in at] == pytest.approx([0, 0, 0], abs=1e-9)


def test_four_bolts_share_alike_and_lift_nothing():
    model = model_of((Support("bolts", in_plane="held", at=CORNERS, diameter=6.0),), assumed=HELD)
    assert [pull for _, pull in model.fastener_loads("wind").values()] == pytest.approx([0.15] * 4, rel=3e-3)


def test_weight_of_the_panel_and_what_is_bolted_on_hangs_on_its_bolts():
    model = model_of(
        (Support("bolts", in_plane="free", at=CORNERS, diameter=6.0),), Load("wind", "inertia", g=(0.0, 0.0, -2.0))
    )
    kg = 500 * 400 * SHEET.rho
    assert sum(pull for _, pull in model.fastener_loads("wind").values()) == pytest.approx(2 * 9.80665 * kg, rel=1e-6)


def test_inertia_along_the_sheet_is_carried_in_shear():
    bolts = Support("bolts", in_plane="held", at=CORNERS, diameter=6.0)
    model = model_of((bolts,), Load("wind", "inertia", g=(3.0, 0.0, 0.0)), assumed=HELD)
    loads = model.fastener_loads("wind")
    kg = 500 * 400 * SHEET.rho
    forces, u = model.linear_solution("wind")
    reactions = model.linear_model.reactions(u, forces).reshape(-1, 6)
    assert sum(reactions[disc, 0].sum() for disc in model.restraints.fasteners.values()) == pytest.approx(
        -3 * 9.80665 * kg
    )
    assert sum(shear for shear, _ in loads.values()) > 3 * 9.80665 * kg  # they also hold against each other
    assert max(pull for _, pull in loads.values()) < 1e-6


def test_sprung_bolts_give_way_each_by_its_share():
    """The same load as on rigid bolts, and each bolt sinks by load/stiffness: P/(4 k) more at the middle."""
    stiff = 25.0  # N/mm each
    rigid = Support("bolts", in_plane="free", at=CORNERS, diameter=6.0)
    before, after = (model_of((bolts,)) for bolts in (rigid, replace(rigid, stiffness=stiff)))
    sunk = [after.linear_solution("wind")[1][6 * disc[0] + 2] for disc in after.restraints.fasteners.values()]
    assert sunk == pytest.approx([-0.6 / 4 / stiff] * 4, rel=3e-3)
    assert [pull for _, pull in after.fastener_loads("wind").values()] == pytest.approx([0.15] * 4, rel=3e-3)
    place = (250.0, 200.0)
    assert after.softness_at(place) - before.softness_at(place) == pytest.approx(1 / (4 * stiff), rel=5e-3)


def test_a_thick_sheet_on_a_sprung_edge_sinks_as_a_rigid_body():
    """P/(k times the length of the edge): the sheet's own bending is a thousandth of that here."""
    spring = Support("edge", in_plane="free", stiffness=2e-5)
    model = model_of((spring,), Load("wind", "pressure", 1e-4), gauges=(6.0,))
    assert -model.linear_solution("wind")[1][2::6] == pytest.approx(
        np.full(len(model.mesh.nodes), 20.0 / (2e-5 * 1800)), rel=2e-3
    )


def test_clamped_rivets_fix_the_tilt_and_pinned_ones_do_not():
    """A strip between two rows of rivets at a fine pitch: P L^3/(48 EI) pinned, a quarter of it clamped.

    The load is a line across its middle; the clamped span ends at the discs' rims.
    """
    long, wide = 300.0, 60.0
    no_cross = replace(SHEET, nu=0.0)
    line = ((long / 2 + 12, 0.0), (long / 2 + 12, wide))
    found = {}
    for hold in ("pinned", "clamped"):
        rows = tuple(
            Support("rivets", hold, "free", path=((x, 5.0), (x, wide - 5.0)), pitch=10.0, diameter=4.0)
            for x in (12.0, long + 12.0)
        )
        model = model_of(
            rows,
            Load("wind", "line", 1e-3, path=line),
            material=no_cross,
            outline=((0.0, 0.0), (long + 24, 0.0), (long + 24, wide), (0.0, wide)),
        )
        found[hold] = -model.linear_solution("wind")[1][2::6][model.mesh.paths[line]].mean()
    beam = 1e-3 * long**3 / (48 * SHEET.E / 12)  # per mm of width
    assert found["pinned"] == pytest.approx(beam, rel=0.02)
    assert found["clamped"] == pytest.approx(beam / 4 * (1 - 4.0 / long) ** 3, rel=0.03)


# ---- in-plane drift


def test_only_free_in_plane_motions_are_fixed():
    """All three in-plane motions; none if an edge holds in plane; the turn about it if one bolt does."""
    side = ((0.0, 0.0), (0.0, 400.0))
    counts = []
    for supports in (
        (EDGE,),
        (EDGE, Support("edge", in_plane="held", path=side)),
        (EDGE, Support("bolts", in_plane="held", at=((20.0, 380.0),), diameter=6.0)),
    ):
        panel = lid(supports=supports)
        counts.append(len(build_restraints(panel, mesh_panel(panel, Layout(1.0), mesh_level="quick")).drift_dofs))
    assert counts == [3, 0, 1]


def test_drift_takes_no_load():
    model = model_of((EDGE,), Load("wind", "pressure", 1e-5))
    forces, u = model.linear_solution("wind")
    assert np.abs(model.linear_model.reactions(u, forces)[model.restraints.drift_dofs]).max() < 1e-9


def test_a_load_in_plane_with_every_support_free_in_plane_is_refused():
    with pytest.raises(InputError, match="case wind makes it slide along x .*part near x 25., y .*in_plane"):
        model_of((EDGE,), Load("wind", "inertia", g=(1.0, 0.0, 0.0))).linear_solution("wind")
    unknown = replace(RIVETS, path=((12.0, 12.0), (488.0, 12.0), (488.0, 388.0)))
    assert model_of((unknown,), Load("wind", "inertia", g=(1.0, 0.0, 0.0))).linear_solution(
        "wind"
    )  # some rivets hold for certain


def test_slip_leaves_fasteners_and_lines_free_in_plane_up_to_their_clearance():
    loose = replace(RIVETS, in_plane="held", slip=0.1)
    panel = lid(supports=(loose, replace(EDGE, path=((0.0, 400.0), (500.0, 400.0)), in_plane="held", slip=0.2)))
    mesh = mesh_panel(panel, Layout(1.0), mesh_level="quick")
    restraints = build_restraints(panel, mesh)
    assert in_plane_assumptions(panel) == (SLIP,)
    assert [clearance for _, clearance in restraints.slips].count(0.1) == len(RIVETS.fasteners())
    assert [clearance for _, clearance in restraints.slips].count(0.2) == len(
        mesh.paths[((0.0, 400.0), (500.0, 400.0))]
    )
    assert not (restraints.fixed % 6 < 2).any()
    assert (restraints.linear_fixed % 6 < 2).sum() == 3  # the three that stop in-plane drift


# ---- rests


LEFT, MIDDLE = (Support("rest", in_plane="free", path=((x, 0.0), (x, 400.0))) for x in (0.0, 250.0))


@pytest.mark.parametrize(("x", "motion"), [(100.0, ""), (240.0, ""), (290.0, "turn about y"), (430.0, "turn about y")])
def test_statics_names_the_uplift_mode(x, motion):
    """A push between two rests is carried; beyond the second it tips the panel; a pull lifts it."""
    panel = lid(supports=(LEFT, MIDDLE))
    mesh = mesh_panel(panel, Layout(1.0), mesh_level="quick")
    restraints = build_restraints(panel, mesh)
    forces = np.zeros((len(mesh.nodes), 6))
    node = np.linalg.norm(mesh.plan - (x, 200.0), axis=1).argmin()
    assert (mesh.plan[node, 0] > 250) == (x > 250)
    forces[node, 2] = -1.0
    assert restraints.uplift_mode(mesh.nodes, forces.ravel()) == motion
    assert restraints.uplift_mode(mesh.nodes, -forces.ravel()) != ""


# ---- refusals


def test_a_sheet_without_thickness_is_refused():
    panel = lid()
    mesh = mesh_panel(panel, Layout(1.0), mesh_level="quick")
    for gauge in (0.0, -1.0, float("nan")):
        with pytest.raises(InputError, match="gauge: is .* mm"):
            build_panel_model(panel, Layout(gauge), mesh, FREE)
