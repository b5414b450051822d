"""Joined panels against solutions known from elsewhere: folded sheet, elastic fasteners, Bredt's tube, statics."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.sparse as sp
from support.builds import fitted, panel_text, rectangle

from stiffen.analysis.loads import tributary_lengths
from stiffen.assembly.build_file import read_build
from stiffen.assembly.fitted_build import fitted_build
from stiffen.errors import InputError
from stiffen.fem.linear import FREE_SHIFT, LinearModel
from stiffen.fem.shell import rigid_body_modes
from stiffen.joined.clashes import clashes
from stiffen.joined.joined_model import JoinedModel
from stiffen.joined.joining import build_ties, joined_model
from stiffen.joined.parts import panel_part
from stiffen.joined.ties import FastenerStiffness, Tie, fastener_stiffness

RIVETS = '\n[[joint]]\npart = "{part}"\nrow = {row}\nmates = ["{mate}"]\npitch = {pitch}\ndiameter = {diameter}\n'
FOLD = "\n[[fold]]\nline = {line}\nangle = {angle}\nradius = {radius}\n"


def joined(build, size=None, level="normal"):
    """The joined model of a fitted build of panels, meshed at one element size."""
    parts = {name: panel_part(build, name, mesh_level=level, size=size) for name in build.parts}
    return JoinedModel(parts, build_ties(build, parts))


def held(part, choose, kinds=range(6)):
    """The part with the DOFs of some kinds fixed at the nodes that choose(nodes in space) picks."""
    nodes = np.flatnonzero(choose(part.shell.nodes))
    return replace(part, fixed=np.union1d(part.fixed, (6 * nodes[:, None] + np.array(list(kinds))).ravel()))


def changed(model, **parts):
    """The model with some parts replaced."""
    return JoinedModel({**model.parts, **{name.replace("_", " "): one for name, one in parts.items()}}, model.ties)


# ----------------------------------------------------------------------------------------------------- lap joint


def lap_loads(count, pitch, k, stretch, load):
    """(count,) loads of rivets in line by elastic fasteners: each bay stretches both sheets, the rivets even it out.

    Compatibility as in Tate & Rosenfeld, NACA TN 1051 (1946): (R[i+1] - R[i])/k = (force below - force above) stretch.
    k: N/mm of a rivet.  stretch: mm/N of one sheet over one pitch.
    """
    A, b = np.zeros((count, count)), np.zeros(count)
    for i in range(count - 1):
        A[i, i : i + 2] = -1 / k, 1 / k
        A[i, : i + 1] -= 2 * stretch
        b[i] = -stretch * load
    A[-1], b[-1] = 1.0, load
    return np.linalg.solve(A, b)


@pytest.mark.parametrize(("softer", "ends", "each"), [(1.0, 0.03, 0.012), (10.0, 0.004, 0.002)])
def test_rivets_of_a_lap_joint_share_the_load_as_elastic_fasteners(tmp_path, softer, ends, each):
    """Two strips 16 mm wide, five rivets in line, 1000 N; the strips cannot bend.

    The solution by elastic fasteners takes each section of a strip as moving as one.  The mesh gives way around a rivet
    besides, which counts as a softer rivet: the end rivets get less.  That fades as the rivets are softer.
    each: of the load.
    """
    length, width, count, pitch, load = 300.0, 16.0, 5, 40.0, 1000.0
    start = length - (count - 1) * pitch - 12
    row = [[start, width / 2], [length - 12, width / 2]]
    build = '[[panel]]\nfile = "a.toml"\nplace = {}\n[[panel]]\nfile = "b.toml"\n'
    build += f"place = {{origin = [{start - 12}, 0, 1]}}\n"
    build += RIVETS.format(part="a", row=row, mate="b", pitch=pitch, diameter=4)
    sheets = {name: panel_text(name, rectangle(length, width)) for name in "ab"}
    model = joined(fitted(tmp_path, sheets, build), size=8.0)
    E = model.parts["a"].material.E
    one = fastener_stiffness(4, (1.0, E), (1.0, E))
    assert one.shear == pytest.approx(1 / (5 / (4 * 70e3) + 1.6 / E))  # Swift, by hand
    soft = FastenerStiffness(one.shear / softer, one.axial, one.tilt)
    flat = (2, 3, 4)
    a, b = (held(part, lambda nodes: nodes[:, 2] > -1, flat) for part in model.parts.values())
    a = held(a, lambda nodes: nodes[:, 0] < 1e-6, (0, 1))
    model = JoinedModel({"a": a, "b": b}, tuple(replace(tie, stiffness=soft) for tie in model.ties))
    nodes = b.shell.nodes
    edge = np.flatnonzero(nodes[:, 0] > nodes[:, 0].max() - 1e-6)
    edge = edge[np.argsort(nodes[edge, 1])]
    forces = np.zeros((len(nodes), 6))
    forces[edge, 0] = load / width * tributary_lengths(nodes[edge, :2], closed=False)
    shear, _ = model.solve({"b": forces.ravel()}).rivet_loads()
    expected = lap_loads(count, pitch, soft.shear, pitch / (E * width), load)
    assert shear.sum() == pytest.approx(load, rel=1e-5)
    assert shear[[0, -1]] == pytest.approx(expected[[0, -1]], rel=ends)
    assert np.abs(shear - expected).max() < each * load


# ------------------------------------------------------------------------------------- corners against folded sheet


def corner_ties(parts, first, second, line, stiff):
    """Ties along a line (2, 3) between two panels that meet there edge to edge, at each node of the first."""
    a, b = parts[first].shell.nodes, parts[second].shell.nodes
    start, way = line[0], line[1] - line[0]
    length = np.linalg.norm(way)
    away = a - start
    along = away @ way / length
    on = np.linalg.norm(away - np.outer(along, way / length), axis=1) < 1e-6
    axis = np.cross(way, [1.0, 1.0, 1.0])
    axis /= np.linalg.norm(axis)
    ties = []
    for number, node in enumerate(np.flatnonzero(on & (along > -1e-6) & (along < length + 1e-6))):
        other = int(np.linalg.norm(b - a[node], axis=1).argmin())
        ties.append(Tie(1, number, (first, second), (int(node), other), a[node], axis, stiff))
    return ties


def test_two_plates_at_a_right_angle_by_close_rivets_are_a_folded_plate(tmp_path):
    """L of 120 + 80 mm, clamped along one edge, pushed at a corner: sharp fold against rivets at each node."""
    fold = FOLD.format(line=[[120, 0], [120, 200]], angle=90, radius=0.5)
    files = {
        "one": panel_text("one", rectangle(200, 200), more=fold),
        "floor": panel_text("floor", rectangle(120, 200)),
        "wall": panel_text("wall", rectangle(80, 200)),
    }
    build = "".join(
        f'[[panel]]\nfile = "{name}.toml"\nplace = {place}\n'
        for name, place in (
            ("one", "{}"),
            ("floor", "{}"),
            ("wall", "{origin = [120, 0, 0], x = [0, 0, 1], y = [0, 1, 0]}"),
        )
    )
    parts = {name: panel_part(fitted(tmp_path, files, build), name, size=10.0) for name in files}
    # their mid-surfaces meet: `place` puts outer faces there
    moved = {"one": (0, 0, -0.5), "floor": (0, 0, -0.5), "wall": (0.5, 0, 0)}
    parts = {
        name: replace(part, shell=replace(part.shell, nodes=part.shell.nodes + np.array(moved[name])))
        for name, part in parts.items()
    }
    found = {}
    for names in (("one",), ("floor", "wall")):
        chosen = {name: held(parts[name], lambda nodes: nodes[:, 0] < 1e-6) for name in names}
        stiff = FastenerStiffness(1e6, 1e6, 1e7)
        line = np.array([[120.0, 0, 0], [120, 200, 0]])
        ties = corner_ties(parts, *names, line, stiff) if len(names) > 1 else []
        model = JoinedModel(chosen, tuple(ties))
        corner = np.array([120.0, 200.0, 80.0])
        part = parts[names[-1]]
        node = int(np.linalg.norm(part.shell.nodes - corner, axis=1).argmin())
        forces = np.zeros((len(part.shell.nodes), 6))
        forces[node] = [1.0, 0.3, -2.0, 0, 0, 0]
        u = model.solve({names[-1]: part.in_own_frame(forces.ravel())}).u[model.dofs(names[-1])]
        found[names] = forces.ravel() @ u
    assert found["floor", "wall"] == pytest.approx(found["one",], rel=0.01)


def test_two_riveted_plates_buckle_as_an_angle_column(tmp_path):
    """Equal legs b x t, length a, ends hinged: each leg buckles as a plate with one free edge, half a wave long.

    stress = k pi2 E/(12 (1 - nu2)) (t/b)2 with k = (b/a)2 + 6 (1 - nu)/pi2, the torsion of the angle (Timoshenko &
    Gere, Theory of Elastic Stability, 2nd ed., arts. 5.4 and 9.4, who give 0.456 + (b/a)2 for nu = 0.25).
    """
    a, b = 240.0, 50.0
    files = {name: panel_text(name, rectangle(a, b)) for name in ("floor", "wall")}
    build = '[[panel]]\nfile = "floor.toml"\nplace = {}\n'
    build += '[[panel]]\nfile = "wall.toml"\nplace = {y = [0, 0, 1]}\n'
    whole = fitted(tmp_path, files, build)
    parts = {name: panel_part(whole, name, size=6.0) for name in files}
    parts = {  # their mid-surfaces meet: `place` puts faces there
        name: replace(part, shell=replace(part.shell, nodes=part.shell.nodes - part.rotation[:, 2] / 2))
        for name, part in parts.items()
    }
    ties = corner_ties(parts, "floor", "wall", np.array([[0.0, 0, 0], [a, 0, 0]]), FastenerStiffness(1e6, 1e6, 1e7))
    loads, chosen = {}, {}
    for name, part in parts.items():
        nodes = part.shell.nodes
        chosen[name] = held(part, lambda nodes: (nodes[:, 0] < 1e-6) | (nodes[:, 0] > a - 1e-6), (1, 2))
        forces = np.zeros((len(nodes), 6))
        for x, push in ((0.0, 1.0), (a, -1.0)):
            end = np.flatnonzero(np.abs(nodes[:, 0] - x) < 1e-6)
            end = end[np.argsort(np.linalg.norm(nodes[end, 1:], axis=1))]
            forces[end, 0] = push * tributary_lengths(nodes[end], closed=False)
        loads[name] = part.in_own_frame(forces.ravel())
    chosen["floor"] = held(chosen["floor"], lambda nodes: np.linalg.norm(nodes - [a / 2, 0, 0], axis=1) < 4, (0,))
    model = JoinedModel(chosen, tuple(ties))
    factors, _ = model.buckling(model.solve(loads).u)  # 1 N/mm on sheet of 1 mm: MPa
    E, nu = parts["floor"].material.E, parts["floor"].material.nu
    k = (b / a) ** 2 + 6 * (1 - nu) / np.pi**2
    assert factors[0] == pytest.approx(k * np.pi**2 * E / (12 * (1 - nu**2)) / b**2, rel=0.03)


@pytest.mark.slow
def test_a_folded_box_is_the_same_box_of_joined_panels(tmp_path):
    """Box 200 x 140 x 40 mm, half closed by a lid: folded from one sheet, and four panels tied at each node."""
    a, b, h, lid = 200.0, 140.0, 40.0, 90.0
    flat = [(0, -h), (a, -h), (a, b + h + lid), (0, b + h + lid)]
    lines = [[[0, y], [a, y]] for y in (0, b, b + h)]
    folds = "".join(FOLD.format(line=line, angle=90, radius=0.5) for line in lines)
    panels = {
        "floor": (rectangle(a, b), "{}"),
        "front": (rectangle(a, h), "{y = [0, 0, 1]}"),
        "back": (rectangle(a, h), f"{{origin = [{a}, {b}, 0], x = [-1, 0, 0], y = [0, 0, 1]}}"),
        "lid": (rectangle(a, lid), f"{{origin = [0, {b}, {h}], x = [1, 0, 0], y = [0, -1, 0]}}"),
    }
    files = {"box": panel_text("box", flat, more=folds)}
    files |= {name: panel_text(name, outline) for name, (outline, _) in panels.items()}
    places = {"box": "{}"} | {name: place for name, (_, place) in panels.items()}
    build = "".join(f'[[panel]]\nfile = "{name}.toml"\nplace = {place}\n' for name, place in places.items())
    whole = fitted(tmp_path, files, build)
    parts = {name: panel_part(whole, name, size=10.0) for name in files}
    for name, part in parts.items():  # their mid-surfaces meet: `place` puts faces there
        normal = part.rotation[:, 2] * -0.5
        parts[name] = replace(part, shell=replace(part.shell, nodes=part.shell.nodes + normal))
    stiff, ties = FastenerStiffness(1e6, 1e6, 1e7), []
    for names, y, z in ((("floor", "front"), 0, 0), (("floor", "back"), b, 0), (("back", "lid"), b, h)):
        ties += corner_ties(parts, *names, np.array([[0.0, y, z], [a, y, z]]), stiff)
    parts = {name: held(part, lambda nodes: nodes[:, 0] < 1e-6) for name, part in parts.items()}
    folded = JoinedModel({"box": parts.pop("box")}, ())
    found = []
    for model, name in ((folded, "box"), (JoinedModel(parts, tuple(ties)), "floor")):
        nodes = model.parts[name].shell.nodes
        forces = np.zeros((len(nodes), 6))
        forces[np.linalg.norm(nodes - [a, b, 0], axis=1).argmin(), 2] = -1.0
        u = model.solve({name: forces.ravel()}).of(name)
        found.append([forces.ravel() @ u, *model.modes(4)[0]])
    assert found[1] == pytest.approx(found[0], rel=0.03)


# --------------------------------------------------------------------------------------------- Bredt's tube, statics


def tube(folder, pitch, length=600.0):
    """A folded channel with flanges and a lid riveted on: a closed tube, fitted, with the z of the lid's middle."""
    flats = np.cumsum([0.0, 15.0, 110.0, 200.0, 110.0, 15.0]).tolist()
    folds = "".join(
        FOLD.format(line=[[0, y], [length, y]], angle=angle, radius=1.0)
        for y, angle in zip(flats[1:-1], (-90, 90, 90, -90), strict=True)
    )
    hat = panel_text("hat", rectangle(length, flats[-1]), more=folds)
    place = '[[panel]]\nfile = "hat.toml"\nplace = {face = "up"}\n'
    bare = fitted(folder, {"hat": hat}, place).parts["hat"]
    rows = np.array([[10.0, 7.0], [10.0, flats[-1] - 7.0]])
    at, _ = bare.surface(rows)
    low, high = at[:, 1].tolist()
    lid = panel_text("lid", rectangle(length, high - low + 14))
    build = place + f'[[panel]]\nfile = "lid.toml"\nplace = {{origin = [0, {low - 7}, {at[0, 2] + 0.5}]}}\n'
    for y in rows[:, 1].tolist():
        row = [[15.0, y], [length - 15.0, y]]
        build += RIVETS.format(part="hat", row=row, mate="lid", pitch=pitch, diameter=3.2)
    return fitted(folder, {"hat": hat, "lid": lid}, build)


def twisted(model, turn=1e-3):
    """Twist by length of the tube's middle, torque, and the result: both ends keep their shape and may warp."""
    nodes = model.parts["hat"].shell.nodes
    length, stiff, parts, loads = nodes[:, 0].max(), 1e5, {}, {}
    centre = np.array([0.0, *(nodes[:, 1:].max(axis=0) + nodes[:, 1:].min(axis=0)) / 2])
    for name, part in model.parts.items():
        end = np.flatnonzero(part.shell.nodes[:, 0] > length - 1e-6)
        springs, forces = np.zeros(part.shell.dof_count), np.zeros((len(part.shell.nodes), 6))
        springs[(6 * end[:, None] + np.array([1, 2])).ravel()] = stiff
        arm = part.shell.nodes[end] - centre
        forces[end, 1:3] = stiff * turn * np.column_stack([-arm[:, 2], arm[:, 1]])
        parts[name] = replace(held(part, lambda nodes: nodes[:, 0] < 1e-6, (1, 2)), springs=sp.diags(springs).tocsr())
        loads[name] = part.in_own_frame(forces.ravel())
    parts["hat"] = held(parts["hat"], lambda nodes: np.arange(len(nodes)) == 0, (0,))
    result = changed(model, **parts).solve(loads)
    torque = 0.0
    moved = {name: result.u[result.model.dofs(name)].reshape(-1, 6) for name in parts}
    for name, part in parts.items():
        end = part.shell.nodes[:, 0] > length - 1e-6
        arm = part.shell.nodes[end] - centre
        force = part.in_space(loads[name]).reshape(-1, 6)[end, 1:3] - stiff * moved[name][end, 1:3]
        torque += float((arm[:, 1] * force[:, 1] - arm[:, 2] * force[:, 0]).sum())
    twist = []
    for x in (0.3 * length, 0.7 * length):
        near = np.abs(nodes[:, 0] - x) < 12
        y, z = (nodes[near] - centre)[:, 1:].T
        one, zero = np.ones(len(y)), np.zeros(len(y))
        rows = np.vstack([np.column_stack([one, zero, -z]), np.column_stack([zero, one, y])])
        shift = np.concatenate([moved["hat"][near, 1], moved["hat"][near, 2]])
        twist.append(np.linalg.lstsq(rows, shift, rcond=None)[0][2])
    return (twist[1] - twist[0]) / (0.4 * length), torque, result


@pytest.mark.slow
def test_a_riveted_tube_twists_as_bredt_says(tmp_path):
    """Shear flow q = T/(2 A): each rivet carries q p and slips by q p/k.

    Twist by length q/(2 A) (sum of s/(G t) + 2 p/k) (R. Bredt 1896; Timoshenko & Goodier, Theory of Elasticity,
    art. 116; the slip of the rivets adds to the shear around the tube).
    """
    pitch = 12.0
    model = joined(tube(tmp_path, pitch), size=10.0)
    E, nu = model.parts["hat"].material.E, model.parts["hat"].material.nu
    ring = _ring(model.parts, model.ties)
    area = 0.5 * abs(float((ring[:, 0] * np.roll(ring[:, 1], -1) - ring[:, 1] * np.roll(ring[:, 0], -1)).sum()))
    around = float(np.linalg.norm(np.diff(ring, axis=0, append=ring[:1])[[0, 1, 2, 3, 4, 6]], axis=1).sum())
    found = {}
    for softer in (1.0, 3.0):
        one = model.ties[0].stiffness
        soft = FastenerStiffness(one.shear / softer, one.axial, one.tilt)
        rate, torque, result = twisted(JoinedModel(model.parts, tuple(replace(t, stiffness=soft) for t in model.ties)))
        flow = torque / (2 * area)
        found[softer] = rate * 2 * area / flow  # what goes round: s/(G t) and the slip
        shear, _ = result.rivet_loads()
        middle = shear.reshape(2, -1)[:, 4:-4] / (flow * pitch)
        assert middle.mean() == pytest.approx(1.0, abs=0.01)
        assert middle == pytest.approx(1.0, abs=0.08)  # the mesh around one rivet is not that around the next
    k = fastener_stiffness(3.2, (1.0, E), (1.0, E)).shear
    # Besides, the sheets give way around each rivet, and bend there as one lies on the other: less with close rivets.
    assert found[1.0] == pytest.approx(around * 2 * (1 + nu) / E + 2 * pitch / k, rel=0.04)
    assert found[3.0] - found[1.0] == pytest.approx(2 * pitch * 2 / k, rel=0.02)


def _ring(parts, ties):
    """(k, 2) corners y, z of the closed middle line: along the channel from rivet to rivet, back along the lid."""
    nodes = parts["hat"].shell.nodes
    section = nodes[nodes[:, 0] < 1e-6][:, 1:]
    low, high = np.abs(section[:, 1]).min(), section[:, 1].max()
    web = section[(section[:, 1] > low + 5) & (section[:, 1] < high - 5), 0]
    a, b = ties[0], ties[-1]
    ends = [
        [parts[name].shell.nodes[node, 1:] for name, node in zip(tie.parts, tie.nodes, strict=True)] for tie in (a, b)
    ]
    z0 = section[np.abs(section[:, 1]).argmin(), 1]
    left, right = web.min(), web.max()
    return np.array(
        [ends[0][0], [left, high], [left, z0], [right, z0], [right, high], ends[1][0], ends[1][1], ends[0][1]]
    )


def _diagonal(values):
    return sp.diags(values).tocsr()


# ---------------------------------------------------------------------------------------------------- whole builds

BOX = Path(__file__).parents[1] / "assembly" / "box" / "box.toml"


@pytest.fixture(scope="module")
def box():
    """The small box with two angle strips, quick mesh; its own supports, and the base held in its plane too."""
    model = joined_model(fitted_build(read_build(BOX)), mesh_level="quick")
    return changed(model, base=held(model.parts["base"], lambda nodes: nodes[:, 0] < 1e-6, (0, 1)))


def test_a_build_that_hangs_free_has_six_rigid_motions_and_no_more(box):
    free = [replace(part, fixed=part.fixed[:0], springs=None) for part in box.parts.values()]
    free = JoinedModel({part.name: part for part in free}, box.ties)
    assert len(free.loose_motions()) == 6
    with pytest.raises(InputError, match="it is not held"):
        free.solve({"base": np.zeros(free.parts["base"].shell.dof_count)})
    model = free._model()
    shift = FREE_SHIFT**2
    held = LinearModel(model.shell, model.fixed, model.springs + shift * 1e-3 * model.mass, None)
    hertz, _ = held.modes(8)
    elastic = np.sqrt(np.maximum((2 * np.pi * hertz) ** 2 - shift, 0)) / (2 * np.pi)
    assert elastic[5] < 0.05
    assert elastic[6] > 2.0


def test_a_part_on_one_rivet_can_turn_about_it(box):
    parts = {name: box.parts[name] for name in ("base", "strip left")}
    row = [tie for tie in box.ties if tie.joint == 1]
    assert JoinedModel(parts, tuple(row[:2])).loose_motions() == []
    assert [name for name, _ in JoinedModel(parts, tuple(row[:1])).loose_motions()] == ["strip left"]
    assert len(JoinedModel(parts, ()).loose_motions()) == 6


def test_forces_balance_at_every_joint_and_part(box):
    """Statics of each part: its loads, the forces of its rivets and of its own supports; and action is reaction."""
    base = box.parts["base"]
    rng = np.random.default_rng(5)
    forces = np.zeros((len(base.shell.nodes), 6))
    forces[:, :3] = rng.normal(size=(len(base.shell.nodes), 3))
    result = box.solve({"base": forces.ravel()})
    at_nodes = box.deformations.T @ result.tie_forces.ravel()  # on the ties, by the nodes
    supports = {name: result.u[box.dofs(name)] for name in box.parts}
    scale = np.abs(forces).sum()
    for name, part in box.parts.items():
        modes = rigid_body_modes(part.shell.nodes)
        size = np.array([1, 1, 1, 150, 150, 150])
        loads = part.in_space(forces.ravel()) if name == "base" else np.zeros(part.shell.dof_count)
        u = supports[name]
        ties = -at_nodes[box.dofs(name)]
        own = part.stiffness @ u - loads - ties  # what only fixed DOFs may carry
        free = np.setdiff1d(np.arange(len(own)), part.fixed)
        assert np.abs(own[free]).max() < 1e-6 * scale, name
        whole = modes.T @ (loads + ties + np.where(np.isin(np.arange(len(own)), part.fixed), own, 0.0)) / size
        assert np.abs(whole).max() < 1e-6 * scale, name
    for number in {tie.joint for tie in box.ties}:  # a joint alone neither pushes nor turns the build
        mine = np.repeat([tie.joint == number for tie in box.ties], 5)
        alone = box.deformations.T @ np.where(mine, result.tie_forces.ravel(), 0.0)
        whole = rigid_body_modes(box.shell.nodes).T @ alone / np.array([1, 1, 1, 150, 150, 150])
        assert np.abs(alone).max() > 1e-3
        assert np.abs(whole).max() < 1e-9 * scale


def test_parts_that_pass_through_each_other_are_told_with_their_place(box):
    assert clashes(box) == ()
    low = box.parts["side left"]  # moved inward and down, it goes through the base
    moved = replace(low.shell, nodes=low.shell.nodes + np.array([0.0, 60.0, -20.0]))
    found = clashes(changed(box, side_left=replace(low, shell=moved)))
    assert [one.parts for one in found if "base" in one.parts] == [("base", "side left")]
    assert found[0].at[1:] == pytest.approx((60, -0.4), abs=1.0)
    assert "base and side left pass through each other near (" in str(found[0])
