"""Builds: files with every fault told, places, joints whose holes coincide, designs, masses."""

import math
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from stiffen.assembly.build_file import is_build_file, read_build
from stiffen.assembly.designs import designs, layout_of_member
from stiffen.assembly.fitted_build import fitted_build
from stiffen.assembly.mass import build_mass
from stiffen.assembly.placement import crossing
from stiffen.errors import InputError
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Hole, Layout
from stiffen.shop.layout_check import audit_supports

BOX = Path(__file__).parent / "box"
TUB = Path(__file__).parents[2] / "examples" / "load_tub" / "tub.toml"


@pytest.fixture
def box(tmp_path):
    """A copy of the box whose files a test may change: box(name, old, new) returns the build file."""
    shutil.copytree(BOX, tmp_path / "box")

    def change(name="box.toml", old="", new=""):
        path = tmp_path / "box" / name
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1) if old else text + new, encoding="utf-8")
        return tmp_path / "box" / "box.toml"

    return change


def holes_apart(fitted):
    """Largest distance, mm, of a hole of a mate from the axis of its rivet, with all parts in space."""
    worst = 0.0
    for joint in fitted.rivets:
        for name, holes in joint.holes.items():
            place, frames = fitted.parts[name].surface(holes)
            gap = place - joint.centres
            along = np.einsum("ni,ni->n", gap, joint.axes)
            worst = max(worst, float(np.linalg.norm(gap - along[:, None] * joint.axes, axis=1).max()))
            assert np.abs(np.einsum("ni,ni->n", frames[:, :, 2], joint.axes)).min() > 0.995
    return worst


@pytest.mark.parametrize("gauge", [0.8, 1.2])
def test_holes_of_mates_coincide_when_the_tub_is_assembled(gauge):
    build = read_build(TUB)
    fitted = fitted_build(build, {part.name: gauge for part in build.panels})
    assert sum(joint.count for joint in fitted.rivets) > 100
    assert holes_apart(fitted) < 0.01
    for name, panel in fitted.panels.items():  # each joint's rivets stand in its parts, none twice
        drilled = sorted(at for support in panel.supports if support.kind == "rivets" for at in support.fasteners())
        joints = sorted(tuple(at) for one in fitted.rivets if name in one.holes for at in one.holes[name])
        assert np.allclose(drilled, joints, atol=1e-6), name
        assert not audit_supports(panel), name


def test_holes_of_the_box_lie_where_a_drawing_puts_them():
    """By hand: legs of 20 mm with 3 mm of bend, rows in the middle of the flat, 11.5 mm from the faces."""
    fitted = fitted_build(read_build(BOX / "box.toml"))
    base, side = fitted.rivets[0].holes["base"], fitted.rivets[1].holes["side left"]
    x = np.linspace(20.0, 290.0 - 10.0, 7)
    assert np.allclose(base, np.column_stack([x, np.full(7, 11.5)]), atol=1e-6)
    assert np.allclose(side, np.column_stack([x, np.full(7, 11.5)]), atol=1e-6)
    # the right side is mirrored: its x runs the other way, the holes are the same
    assert np.allclose(sorted(fitted.rivets[3].holes["side right"].tolist()), sorted(side.tolist()), atol=1e-6)
    assert [support.onto for support in fitted.panels["base"].supports if support.kind == "rivets"] == [1.0, 1.0]
    assert fitted.rivets[0].grip == pytest.approx(1.8)


def test_a_hole_in_a_folded_flange_lies_where_the_handbook_puts_it(tmp_path):
    """Base and flange at 90 degrees, R 2, t 1: allowance 90 (0.01743 R + 0.0078 t), setback R + t (FAA-H-8083-31)."""
    head = '[panel]\nname = "{}"\nmaterial = "5754-H111"\ngauges = [1.0]\noutline = {}\n'
    tray = head.format("tray", "[[0, 0], [200, 0], [200, 100], [0, 100]]")
    (tmp_path / "tray.toml").write_text(tray + "[[fold]]\nline = [[0, 75], [200, 75]]\nangle = 90\nradius = 2\n")
    (tmp_path / "wall.toml").write_text(head.format("wall", "[[0, 0], [200, 0], [200, 80], [0, 80]]"))
    allowance = 90 * (0.01743 * 2 + 0.0078)
    outer = 75 - allowance / 2 + 3.0  # y of the flange's outer face, the mould line
    (tmp_path / "build.toml").write_text(
        '[build]\nname = "b"\n[[panel]]\nfile = "tray.toml"\nplace = {}\n'
        f'[[panel]]\nfile = "wall.toml"\nplace = {{origin = [0, {outer}, 0], y = [0, 0, 1], face = "up"}}\n'
        '[[joint]]\npart = "wall"\nrow = [[20, 14], [180, 14]]\nmates = ["tray"]\npitch = 40\ndiameter = 3\n'
    )
    fitted = fitted_build(read_build(tmp_path / "build.toml"))
    holes = fitted.rivets[0].holes["tray"]
    # 14 mm over the outer face of the base, 3 mm of them setback; the flat begins half an allowance beyond the line
    assert holes[:, 1] == pytest.approx(75 + allowance / 2 + (14 - 3.0), abs=0.01)
    assert holes[:, 0] == pytest.approx(np.linspace(20, 180, 5), abs=1e-6)


def test_parts_move_rigidly():
    """Distances on the flat sheet are those in space; an edge's frame is right-handed and lies along the edge."""
    fitted = fitted_build(read_build(BOX / "box.toml"))
    part = fitted.parts["side right"]
    flat = np.array([[0, 0], [300, 0], [300, 120], [40, 70]], dtype=float)
    space = part.surface(flat)[0]
    for i, j in ((0, 1), (0, 2), (1, 3)):
        assert math.dist(space[i], space[j]) == pytest.approx(math.dist(flat[i], flat[j]))
    middle, frame = part.edge_frame(flat[0], flat[1])
    assert np.allclose(frame.T @ frame, np.eye(3)) and np.linalg.det(frame) == pytest.approx(1.0)
    assert np.allclose(middle, (space[0] + space[1]) / 2) and np.allclose(frame[:, 0] * 300, space[1] - space[0])
    met = crossing(part, space[3] + 5 * frame[:, 2], frame[:, 2], 10.0)
    assert np.allclose(met.at, flat[3]) and met.offset == pytest.approx(-5.0)


def test_mirrored_and_copied_panels_are_one_design(box):
    groups = designs(fitted_build(read_build(BOX / "box.toml")))
    assert [(one.name, one.members, one.count) for one in groups] == [
        ("base", (("base", False),), 1),
        ("side left", (("side left", False), ("side right", True)), 2),
    ]
    die = groups[1].panel.tools.hole_dies[0]
    layout = Layout(0.8, (), (Hole(die, (80.0, 60.0)),))
    assert layout_of_member(groups[1].panel, layout, True).holes[0].at == (220.0, 60.0)
    changed = box(old='mates = ["side right"]\npitch = 40', new='mates = ["side right"]\npitch = 30')
    assert len(designs(fitted_build(read_build(changed)))) == 3
    groups = designs(fitted_build(read_build(TUB)))
    assert [len(one.members) for one in groups] == [1, 2, 1, 1]


def test_mass_counts_copies_rivets_once_and_extras(box):
    path = box(new='\n[[extra]]\nwhat = "tube"\nkg = 0.25\ncopies = 2\n')
    fitted = fitted_build(read_build(path))
    mass = build_mass(fitted, {"base": 0.1, "side left": 0.2, "side right": 0.2})
    assert mass.panels == pytest.approx(0.5) and mass.extras == pytest.approx(0.5)
    rho = fitted.build.strips[0].material.rho
    blank = 17 * 2 + 90 * (0.01743 * 2 + 0.0078)
    assert mass.strips == pytest.approx(2 * 280 * blank * rho, rel=1e-3)
    shank = math.pi / 4 * 16 * (1.8 + 8.0) * 2.7e-6  # grip and two diameters
    assert mass.rivets == pytest.approx(28 * shank)
    assert mass.total == pytest.approx(sum((0.5, 0.5, mass.strips, mass.rivets)))


BAD = [
    ('name = "box"', "", "build.name: is missing (give a text in quotes)"),
    ('name = "box"', 'name = "box"\ngauges = "any"', 'build.gauges: is "any"'),
    ('name = "box"', 'name = "box"\ntarget_mas = 1', "build.target_mas: is not a key of [build]"),
    ('file = "base.toml"', 'file = "gone.toml"', "panel[1].file: gone.toml: there is no such file"),
    ('place = {face = "up"}', 'copies = 2\nplace = {face = "up"}', "panel[1].place: is one place for 2 copies"),
    ('place = {face = "up"}', "", 'joint[1].mates[1]: is "base", which has no place'),
    ('place = {face = "up"}', "place = {y = [1, 1, 0]}", "panel[1].place.y: makes 45.0 degrees with x"),
    ('place = {face = "up"}', "place = {x = [0, 0, 0]}", "panel[1].place.x: has no length"),
    ('place = {face = "up"}', "place = {origin = [0, 0]}", "panel[1].place.origin: has 2 values, not 3 numbers"),
    ('place = {face = "up"}', 'place = {beyond = "lid", direction = [0, 0, 1]}', 'is placed beyond "lid": no such'),
    ('place = {face = "up"}', 'place = {beyond = "base"}', "panel[1].place.direction: is missing"),
    ('name = "strip right"', 'name = "strip left"', 'strip: "strip left" has the name of "strip left"'),
    ("mirrored = true", "", 'panel: "side left" has the name of "side left"'),
    ("legs = [20, 20]", "legs = [2, 20]", "strip[1].legs[1]: is 2, must be at least 3"),
    ('material = "5754-H111"', 'material = "tin"', 'strip[1].material: "tin" is not in the built-in table'),
    ('mates = ["base"]', 'mates = ["bas"]', 'joint[1].mates[1]: is "bas": no such panel or strip (did you mean'),
    ('mates = ["base"]', "mates = []", "joint[1].mates: is empty"),
    ('mates = ["base"]', 'mates = ["strip left"]', 'joint[1].mates: holds "strip left", the part itself'),
    ('row = "leg 1"', 'row = "leg 3"', 'joint[1].row: is "leg 3"'),
    ('row = "leg 1"', "row = [[10, 10]]", "joint[1].row: has 1 point"),
    ("pitch = 40", "pitch = 11", "joint[1].pitch: is 11 mm (at least 3 diameters, 12 mm)"),
    ('part = "strip left"\nrow = "leg 1"', 'part = "base"\nrow = 1', "joint[1].row: is 1: no [[support]] of rivets"),
]


@pytest.mark.parametrize(("old", "new", "told"), BAD, ids=[told for *_, told in BAD])
def test_faults_of_a_build_file_are_told_with_place_and_cure(box, old, new, told):
    with pytest.raises(InputError) as error:
        read_build(box(old=old, new=new))
    assert told in str(error.value)
    assert all(fault.where for fault in error.value.faults)


def test_all_faults_of_build_and_panel_files_at_once(box):
    box("side.toml", "gauges = [0.8, 1.0, 1.5]", 'gauges = [0.8, "1 mm"]')
    path = box(old='name = "box"\ntarget_mass = 0.5', new="target_mass = -1")
    with pytest.raises(InputError) as error:
        read_build(path)
    places = [fault.where for fault in error.value.faults]
    assert places == ["build.target_mass", "build.name", "panel[2].file"]
    assert 'side.toml: panel.gauges[2]: is "1 mm"' in str(error.value)


UNBUILDABLE = [
    (  # parts that do not close
        "place = {y = [0, 0, 1]}",
        "place = {origin = [0, -3, 0], y = [0, 0, 1]}",
        r"joint\[2\]: side left and strip left stand 3\.00 mm apart at rivet \d, \(.*\): the build does not close "
        r"there \(move one of the places by 3\.00 mm",
    ),
    (
        "place = {y = [0, 0, 1]}",
        "place = {origin = [0, 0.6, 0], y = [0, 0, 1]}",
        r"joint\[2\]: .* lie 0\.60 mm in each other",
    ),
    (  # edges of different length
        "length = 280",
        "length = 380",
        r"joint\[1\]\.mates: rivets 9 to 10 of 10 are beside base, .*: the row is 360 mm long, and some 288 mm of it",
    ),
    (
        "place = {y = [0, 0, 1]}",
        "place = {y = [0, 0.5, 1]}",
        r"joint\[2\]\.mates: side left and strip left make 27 degrees at rivet 1",
    ),
    (
        "place = {y = [0, 0, 1]}",
        "place = {origin = [0, 900, 0], y = [0, 0, 1]}",
        r"joint\[2\]\.mates: no rivet of the row on strip left meets side left",
    ),
    (  # a strip thicker than its rivets grip
        "pitch = 40\ndiameter = 4",
        "pitch = 40\ndiameter = 4\ngrip = [0.5, 1.5]",
        r"joint\[1\]\.grip: clamps 1\.8 mm, the rivets 0\.5 to 1\.5 mm",
    ),
    (
        "place = {y = [0, 0, 1]}",
        "place = {origin = [0, 0, 6], y = [0, 0, 1]}",
        r"joint\[2\]: rivets 1 to 7 of 7 are too near an edge of side left; rivet \d is 5\.5 mm from it.*\(at least 2 ",
    ),
    (
        'row = "leg 1"',
        "row = [[10, 30], [400, 30]]",
        r"joint\[1\]\.row: rivets 8 to 11 of 11 are of the row not on the sheet|joint\[1\]\.row: rivets",
    ),
]


@pytest.mark.parametrize(("old", "new", "told"), UNBUILDABLE, ids=range(len(UNBUILDABLE)))
def test_what_cannot_be_joined_is_told(box, old, new, told):
    build = read_build(box(old=old, new=new))
    with pytest.raises(InputError) as error:
        fitted_build(build)
    assert re.search(told, str(error.value)), str(error.value)


def test_a_rivet_row_through_a_bead_is_told(box):
    box("base.toml", new='\n[[bead]]\ndie = "B16"\npath = [[60, 16], [240, 16]]\n')
    build = read_build(box())
    with pytest.raises(InputError) as error:
        fitted_build(build)
    assert re.search(r"base: bead\[1\] B16: with the rivets of its joints: .*\(move the bead", str(error.value))


def test_a_row_through_a_bead_is_told_where_the_panel_has_the_row_too(box):
    """The rule is broken in the panel file already, which does not make it buildable."""
    row = '[[support]]\nkind = "rivets"\npath = [[20, 11.5], [280, 11.5]]\npitch = 40\ndiameter = 4\n'
    box("base.toml", new=f'\n{row}\n[[bead]]\ndie = "B16"\npath = [[60, 16], [240, 16]]\n')
    with pytest.raises(InputError, match=r"base: bead\[1\] B16: with the rivets of its joints: .* from rivet row"):
        fitted_build(read_build(box()))


@pytest.mark.parametrize("mesh_level", ["quick", "normal"])
def test_the_tub_can_be_meshed(mesh_level):
    """A row of rivets stands 10 mm beside the tangent line of a bend whose elements are 20 mm long."""
    panel = fitted_build(read_build(TUB)).panels["side left"]
    assert mesh_panel(panel, panel.layout(), mesh_level=mesh_level).min_quality > 0.25


def test_only_a_file_with_the_heading_is_a_build(tmp_path):
    assert is_build_file(BOX / "box.toml") and not is_build_file(BOX / "base.toml")
    assert not is_build_file(tmp_path / "gone.toml") and not is_build_file(tmp_path)
    (tmp_path / "bad.toml").write_text("[build")
    assert not is_build_file(tmp_path / "bad.toml")
