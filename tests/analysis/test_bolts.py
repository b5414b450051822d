"""What bolts and rivets hold, against the statics of rigid bodies and beams: hinges, levers, cantilevers, flanges."""

import math
from dataclasses import replace

import numpy as np
import pytest
from support.panels import SHEET, lid

from stiffen.analysis.evaluation import check
from stiffen.analysis.panel_model import build_panel_model
from stiffen.analysis.supports import FREE, HELD
from stiffen.cli.entry import main
from stiffen.errors import InputError
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Fold, Load, Support
from stiffen.surrogate.laminated_panel import laminated_panel

NO_CROSS = replace(SHEET, nu=0.0)  # so that a strip bends like a beam
PUSH = Load("wind", "patch", 0.6, at=(250.0, 200.0), size=(40.0, 40.0))  # N: small deflections
ONE = ((250.0, 10.0),)
TWO = ((20.0, 5.0), (480.0, 20.0))
THREE = ((20.0, 10.0), (200.0, 10.0), (480.0, 10.0))
FLANGE = (Fold(((0.0, 30.0), (500.0, 30.0)), 90.0),)


def bolts(*at, **changes):
    return Support("bolts", **{"in_plane": "free", "at": at, "diameter": 6.0, **changes})


def model_of(panel, assumed=FREE, grade="quick", gauge=1.0):
    return build_panel_model(panel, Layout(gauge), mesh_panel(panel, Layout(gauge), mesh_level=grade), assumed)


def unloaded(model):
    """Displacements without a load; a panel that is not held is refused."""
    return model.solve_free(np.zeros(len(model.free)))


def shell(panel, assumed):
    return unloaded(model_of(panel, assumed).linear_model)


def surrogate(panel, assumed):
    return unloaded(laminated_panel(panel, 1.0).models[assumed].linear_model)


# ---- hinges


@pytest.mark.parametrize("made", [shell, surrogate])
@pytest.mark.parametrize("folds", [(), FLANGE], ids=["flat", "on a flange"])
@pytest.mark.parametrize("in_plane", [HELD, FREE])
def test_bolts_in_line_are_a_hinge(made, folds, in_plane):
    """A rigid body that is held at one place, or along one line, turns: statics."""
    for at, motion in (
        (ONE, r"tilt about \(250, 10\), the one place"),
        (TWO, r"turn about the line from \(20, 5\) to \(480, 20\)"),
        (THREE, r"turn about the line from \(20, 10\) to \(480, 10\)"),
    ):
        panel = lid(supports=(bolts(*at, in_plane=in_plane),), folds=folds, loads=(PUSH,))
        with pytest.raises(InputError, match=f"support: the panel is not held: it can {motion}.*add .*clamped"):
            made(panel, in_plane)
        clamped = replace(panel, supports=(bolts(*at, in_plane=in_plane, hold="clamped"),))
        assert not made(clamped, in_plane).any()
        off_line = replace(panel, supports=(bolts(*at, in_plane=in_plane), bolts((250.0, 350.0))))
        if at is ONE:
            with pytest.raises(InputError, match="turn about the line"):
                made(off_line, in_plane)
        else:
            assert not made(off_line, in_plane).any()


@pytest.mark.parametrize("slip", [None, 0.2])
def test_a_hinge_is_refused_whatever_the_deflection(slip):
    panel = lid(supports=(bolts(*THREE, in_plane="held", slip=slip),), loads=(replace(PUSH, value=500.0),))
    with pytest.raises(InputError, match="pinned fasteners in line are a hinge"):
        check(panel, Layout(1.0), mesh_level="quick")


def test_an_edge_alone_is_a_hinge_and_a_guided_panel_sinks():
    side = Support("edge", in_plane="free", path=((0.0, 0.0), (500.0, 0.0)))
    for supports, told in (
        ((side,), r"turn about the line from \(0, 0\) to \(500, 0\).*\(add a support off this line, or clamp it\)"),
        ((bolts(*THREE, (250.0, 350.0), hold="guided"),), "move along z"),
        ((), "move along z, turn about x, turn about y"),
    ):
        with pytest.raises(InputError, match=told):
            model_of(lid(supports=supports))


@pytest.mark.parametrize("command", ["check", "search"])
def test_a_hinge_is_a_fault_of_the_panel_file(tmp_path, capsys, command):
    file = tmp_path / "cover.toml"
    file.write_text(
        """
[panel]
name = "cover"
material = "5754-H22"
gauges = [1.0]
outline = [[0, 0], [300, 0], [300, 200], [0, 200]]
[[support]]
kind = "bolts"
at = [[20, 20], [150, 20], [280, 20]]
diameter = 6
[[demand]]
kind = "frequency"
limit = 20
""",
        encoding="utf-8",
    )
    words = [command, str(file), "--quiet", "--mesh", "quick"]
    assert main([*words, *(["--out", str(tmp_path / "out")] if command == "search" else [])]) == 2
    told = capsys.readouterr().err
    assert f"{file}: support: the panel is not held" in told and "from (20, 20) to (280, 20)" in told
    assert 'hold = "clamped"' in told


# ---- levers


def pulls(model, case="wind"):
    """Force along z, N, that each fastener gives the panel."""
    if model.uses_large_deflection(case):
        reactions = model.equilibrium_path(case).reactions
    else:
        forces, u = model.linear_solution(case)
        reactions = model.linear_model.reactions(u, forces)
    by_node = reactions.reshape(-1, 6)[:, :3]
    return {centre: by_node[disc].sum(axis=0) for centre, disc in model.restraints.fasteners.items()}


@pytest.mark.parametrize("in_plane", [HELD, FREE])
def test_one_bolt_off_the_line_carries_the_load_by_its_lever(in_plane):
    """Moments about the line of the other bolts: the load times its distance over that of the bolt."""
    panel = lid(supports=(bolts(*THREE, (300.0, 350.0), in_plane=in_plane),), loads=(PUSH,))
    found = pulls(model_of(panel, in_plane))
    assert found[300.0, 350.0][2] == pytest.approx(0.6 * (200 - 10) / (350 - 10), rel=1e-6)
    line = [found[centre][2] for centre in THREE]
    assert sum(line) == pytest.approx(0.6 * (350 - 200) / (350 - 10), rel=1e-6)
    # moments about the line through (0, 10) square to it
    moment = sum(force[2] * centre[0] for centre, force in found.items())
    assert moment == pytest.approx(0.6 * 250, rel=1e-6)


def test_levers_hold_in_large_deflection_too():
    """At five thicknesses the places of load and bolts have hardly moved in plan: the same shares within 1 %."""
    off = (250.0, 350.0)
    panel = lid(supports=(bolts((20.0, 10.0), (480.0, 10.0), off),), loads=(replace(PUSH, value=30.0),))
    model = model_of(panel)
    assert model.deflection_over_thickness("wind") > 3
    found = pulls(model)
    assert sum(force[2] for force in found.values()) == pytest.approx(30.0, rel=1e-4)
    assert found[off][2] == pytest.approx(30.0 * 190 / 340, rel=0.01)


def test_three_bolts_in_line_carry_a_strip_as_a_beam_of_two_spans():
    """5/4 of a span's load on the middle one, 3/8 on the outer ones (Roark, continuous beam); a bolt off the line, on
    which the symmetric load puts nothing, keeps the strip from rolling over."""
    span, wide = 300.0, 30.0
    at = ((10.0, wide / 2), (10 + span, wide / 2), (10 + 2 * span, wide / 2))
    strip = ((10.0, 0.0), (10 + 2 * span, 0.0), (10 + 2 * span, wide), (10.0, wide))
    panel = lid(
        2 * span + 20,
        wide,
        material=NO_CROSS,
        supports=(bolts(*at), bolts((10 + span, 4.0), diameter=2.0)),
        loads=(Load("wind", "pressure", 1e-6, polygon=strip),),
    )
    found = pulls(model_of(panel, grade="normal"))
    load = 1e-6 * span * wide
    middle = found[at[1]][2] + found[10 + span, 4.0][2]
    assert middle == pytest.approx(1.25 * load, rel=0.01)
    assert [found[at[0]][2], found[at[2]][2]] == pytest.approx([0.375 * load] * 2, rel=0.02)
    # and by the lever about the middle line of the strip
    assert found[10 + span, 4.0][2] == pytest.approx(0.0, abs=1e-3 * load)


# ---- clamped


def test_a_cantilever_on_clamped_bolts():
    """P L^3/(3 EI) at the tip, L from the rims of the heads; force and moment on the bolts by statics."""
    long, wide, force = 300.0, 40.0, 0.02
    line = ((20 + long, 0.0), (20 + long, wide))
    at = tuple((20.0, y) for y in (4.0, 12.0, 20.0, 28.0, 36.0))
    panel = lid(
        long + 30,
        wide,
        material=NO_CROSS,
        supports=(bolts(*at, hold="clamped"),),
        loads=(Load("wind", "line", force / wide, path=line),),
    )
    model = model_of(panel)
    forces, u = model.linear_solution("wind")
    tip = -u[2::6][model.mesh.paths[line]].mean()
    stiffness = SHEET.E * wide / 12
    assert tip == pytest.approx(force * (long - 3) ** 3 / (3 * stiffness), rel=0.02)
    reactions = model.linear_model.reactions(u, forces).reshape(-1, 6)
    assert reactions[:, 2].sum() == pytest.approx(force)
    moment = reactions[:, 4].sum() - (reactions[:, 2] * (model.mesh.nodes[:, 0] - 20)).sum()
    assert abs(moment) == pytest.approx(force * long)


def test_one_clamped_bolt_holds_a_panel_with_its_moment():
    for in_plane in (HELD, FREE):
        panel = lid(supports=(bolts((250.0, 50.0), hold="clamped", in_plane=in_plane),), loads=(PUSH,))
        model = model_of(panel, in_plane)
        forces, u = model.linear_solution("wind")
        reactions = model.linear_model.reactions(u, forces).reshape(-1, 6)
        moment = reactions[:, 3].sum() + (reactions[:, 2] * (model.mesh.nodes[:, 1] - 50)).sum()
        assert moment == pytest.approx(0.6 * 150)


# ---- in the plane


def test_a_strip_turns_about_pinned_bolts_in_its_plane_and_not_about_clamped_ones():
    """Its own weight along its breadth: 5 q L^4/(384 EI) and shear 1.2 q L^2/(8 G A) between pins.

    Heads that sit tight clamp it too: q L'^4/(384 EI) and the same shear over the clear span L' between their rims.
    """
    span, wide, diameter = 300.0, 20.0, 8.0
    at = ((12.0, wide / 2), (12.0 + span, wide / 2))
    q = NO_CROSS.rho * 9.80665 * 10 * wide  # N/mm
    inertia, area = wide**3 / 12, wide
    found = {}
    for hold in ("pinned", "clamped"):
        panel = lid(
            span + 24,
            wide,
            material=NO_CROSS,
            supports=(
                bolts(*at, hold=hold, in_plane="held", diameter=diameter),
                Support("edge", in_plane="free", path=((0.0, 0.0), (span + 24, 0.0))),
            ),
            loads=(Load("wind", "inertia", g=(0.0, -10.0, 0.0)),),
        )
        model = model_of(panel, HELD, "normal")
        forces, u = model.linear_solution("wind")
        middle = np.linalg.norm(model.mesh.plan - (12 + span / 2, wide / 2), axis=1).argmin()
        found[hold] = -u[6 * middle + 1]
        shares = [force[1] for force in pulls(model).values()]
        assert shares == pytest.approx([q * (span + 24) / 2] * 2, rel=1e-3)

    def sag(length, ends):
        return ends * q * length**4 / (384 * SHEET.E * inertia) + 1.2 * q * length**2 / (8 * SHEET.E / 2 * area)

    overhang = q * 12.0**2 / 2 * span**2 / (8 * SHEET.E * inertia)  # the ends beyond the pins lift the middle
    assert found["pinned"] == pytest.approx(sag(span, 5) - overhang, rel=0.02)
    assert sag(span - diameter, 1) < found["clamped"] < sag(span, 1) * 1.1


def test_one_bolt_in_plane_does_not_stop_the_panel_from_turning_about_it():
    edge = Support("edge", in_plane="free")
    panel = lid(supports=(edge, bolts((250.0, 200.0), in_plane="held")), loads=(Load("wind", "inertia", g=(1, 0, 0)),))
    forces, u = model_of(panel, HELD).linear_solution("wind")
    assert np.isfinite(u).all()  # the weight passes through the bolt
    aside = replace(panel, supports=(edge, bolts((250.0, 100.0), in_plane="held")))
    with pytest.raises(InputError, match='wind makes it turn in its plane .*give another in_plane = "held"'):
        model_of(aside, HELD).linear_solution("wind")


# ---- on flanges


@pytest.mark.parametrize("in_plane", [HELD, FREE])
@pytest.mark.parametrize("turned", [0.0, 25.0])
def test_a_flange_tilts_about_its_pinned_bolts(in_plane, turned):
    """Half the load hangs on the bolts and half lies on the far edge, as if the bolts were a hinge: statics."""
    sine, cosine = math.sin(math.radians(turned)), math.cos(math.radians(turned))

    def at(x, y):
        return (cosine * x - sine * y, sine * x + cosine * y)

    long, wide, high = 300.0, 200.0, 20.0
    floor = (at(0.0, high), at(long, high), at(long, high + wide), at(0.0, high + wide))
    far = Support("edge", in_plane="free", path=(at(0.0, high + wide), at(long, high + wide)))
    row = bolts(*(at(x, high / 2) for x in (20.0, 150.0, 280.0)), in_plane=in_plane)
    panel = lid(
        outline=(at(0.0, 0.0), at(long, 0.0), at(long, high + wide), at(0.0, high + wide)),
        folds=(Fold((at(0.0, high), at(long, high)), 90.0),),
        supports=(row, far),
        loads=(Load("wind", "pressure", 1e-6, polygon=floor),),
        demands=(Demand("deflection", 1.0, "wind"),),
    )
    load = 1e-6 * long * wide
    found = pulls(model_of(panel, in_plane))
    assert sum(force[2] for force in found.values()) == pytest.approx(load / 2, rel=1e-5)
    clamped = pulls(model_of(replace(panel, supports=(replace(row, hold="clamped"), far)), in_plane))
    assert sum(force[2] for force in clamped.values()) > 0.55 * load
