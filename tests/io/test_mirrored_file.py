"""The other hand of a panel: everything handed is mirrored, comments stay, and the values are the same."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon

from stiffen.analysis.evaluation import check
from stiffen.cli.entry import main
from stiffen.errors import InputError
from stiffen.io.mirrored_file import mirror_layout, mirror_panel, mirrored_name, mirrored_panel
from stiffen.io.panel_file import layout_document, panel_from_dict, read_layout, read_panel, write_json

EXAMPLES = Path(__file__).parents[2] / "examples"
NAMES = sorted(path.stem for path in EXAMPLES.glob("*.toml"))

HANDED = """
[panel]
name = "left lid"                    # the left one
material = "5754-H111"
gauges = [1.0]
outline = [
    [10, 0],                         # front
    [410, 0],
    [410, 200],
    [110, 300],                      # chamfer
    [10, 300],
]
tools = "starter"

[[support]]
kind = "edge"
along = "outline"
hold = "pinned"
in_plane = "held"

[[cutout]]
circle = {centre = [350, 60], diameter = 40}

[[load]]
case = "step"
kind = "patch"
value = 300
at = [150.5, 120]
size = [60, 40]

[[load]]
case = "brake"
kind = "inertia"
g = [0.5, 0.2, -3.0]

[[load]]
case = "strap"
kind = "line"
value = 0.5
path = [[100, 50], [200, 150]]
direction = [1, 0, -1]

[[mass]]
at = [300, 150]
kg = 0.4

[[bead]]
die = "B16"
path = [[80, 60], [280, 100]]

[[hole]]
die = "L32"
at = [320, 180]

[[demand]]
kind = "deflection"
case = "step"
limit = 5

[[demand]]
kind = "deflection"
case = "brake"
limit = 5

[[demand]]
kind = "deflection"
case = "strap"
limit = 5

[[demand]]
kind = "frequency"
limit = 20
"""


@pytest.fixture
def handed(tmp_path):
    path = tmp_path / "left.toml"
    path.write_text(HANDED)
    return path


def plan(panel):
    """Everything that has a place, as shapes with a name."""
    shapes = [("outline", Polygon(panel.outline))]
    shapes += [(f"cutout {one.circle[2]:g}", Point(one.circle[:2])) for one in panel.cutouts if one.circle]
    shapes += [("cutout", Polygon(one.ring)) for one in panel.cutouts if not one.circle]
    shapes += [("keep-out", Polygon(one.polygon)) for one in panel.keep_outs]
    shapes += [(f"fold {one.angle:g}", LineString(one.line)) for one in panel.folds]
    for support in panel.supports:
        shapes += [(support.kind, LineString(support.path))] if support.path else []
        shapes += [(support.kind, Point(at)) for at in support.fasteners()]
    for load in panel.loads:
        shapes += [(load.case, Point(load.at))] if load.at else []
        shapes += [(load.case, LineString(load.path))] if load.path else []
        shapes += [(load.case, Polygon(load.polygon))] if load.polygon else []
    shapes += [("mass", Point(one.at)) for one in panel.masses]
    shapes += [("trim", LineString(one.path)) for one in panel.trims if one.path]
    shapes += [("flatness", Point(one.at)) for one in panel.out_of_flat]
    shapes += [(f"bead {one.side}", LineString(one.path)) for one in panel.beads]
    shapes += [(f"hole {one.side}", Point(one.at)) for one in panel.holes]
    return shapes


def assert_mirrored(panel, other):
    x0, _, x1, _ = panel.region.bounds
    ours, theirs = plan(panel), plan(other)
    assert [name for name, _ in ours] == [name for name, _ in theirs]
    for (name, shape), (_, image) in zip(ours, theirs, strict=True):
        over = affinity.scale(shape, -1, 1, origin=((x0 + x1) / 2, 0))
        assert over.hausdorff_distance(image) < 1e-4, name


@pytest.mark.parametrize("name", NAMES)
def test_every_example_has_another_hand(name, tmp_path):
    source = EXAMPLES / f"{name}.toml"
    panel = read_panel(source)
    other, _ = mirror_panel(source, tmp_path / "other.toml")
    assert_mirrored(panel, other)
    assert read_panel(tmp_path / "other.toml") == other
    again, _ = mirror_panel(tmp_path / "other.toml", tmp_path / "again.toml")
    assert again.name == panel.name
    for (_, shape), (_, image) in zip(plan(panel), plan(again), strict=True):
        assert shape.hausdorff_distance(image) < 1e-4
    if "outline_dxf" not in source.read_text():
        assert re.findall("#.*", (tmp_path / "again.toml").read_text()) == re.findall("#.*", source.read_text())


def test_the_right_cheek_of_the_examples_is_the_mirrored_left_one(tmp_path):
    other, _ = mirror_panel(EXAMPLES / "side_cheek_left.toml", tmp_path / "right.toml")
    assert other == read_panel(EXAMPLES / "side_cheek_right.toml")


@pytest.mark.slow
def test_the_mirrored_panel_has_the_same_values(handed, tmp_path):
    """Mirror symmetry of the plate.  The mesher does not mirror its points: within the mesh errors that both state."""
    panel = read_panel(handed)
    other, _ = mirror_panel(handed, tmp_path / "right.toml")
    assert_mirrored(panel, other)
    assert (other.loads[1].g, other.loads[2].direction[0]) == ((-0.5, 0.2, -3.0), -panel.loads[2].direction[0])
    ours, theirs = (check(one) for one in (panel, other))
    assert theirs.mass_kg == pytest.approx(ours.mass_kg, rel=1e-9)
    for a, b in zip(ours.demands, theirs.demands, strict=True):
        assert b.value == pytest.approx(a.value, rel=a.mesh_error + b.mesh_error), a.label
        assert a.mesh_error + b.mesh_error < 0.01, a.label
    x0, _, x1, _ = panel.region.bounds
    assert theirs.demands[0].at[0] == pytest.approx(x0 + x1 - ours.demands[0].at[0], abs=15.0)


@pytest.mark.slow
def test_a_load_left_where_it_was_would_be_seen(handed, tmp_path):
    """The test above can fail: the patch on the narrow side of the lid deflects it otherwise."""
    panel, (other, _) = read_panel(handed), mirror_panel(handed, tmp_path / "right.toml")
    wrong = replace(other, loads=(panel.loads[0], *other.loads[1:]))
    (ours, *_), (theirs, *_) = (check(one, mesh_level="quick").demands for one in (panel, wrong))
    assert abs(theirs.value / ours.value - 1) > ours.mesh_error + theirs.mesh_error


def test_comments_and_line_breaks_stay(handed, tmp_path):
    _, remarks = mirror_panel(handed, tmp_path / "right.toml")
    text = (tmp_path / "right.toml").read_text()
    assert "    [410, 0],                         # front\n    [10, 0],\n" in text
    assert 'name = "right lid"' in text
    assert any("comments are kept as they were" in remark for remark in remarks)


def test_a_drawing_becomes_points_and_that_is_said(tmp_path, capsys):
    assert main(["mirror", str(EXAMPLES / "floor_pan.toml"), str(tmp_path / "other.toml")]) == 0
    assert "the outline and the marks of floor_pan.dxf are now points" in capsys.readouterr().out
    assert "outline_dxf" not in (tmp_path / "other.toml").read_text()


def test_tools_beside_the_panel_are_found_from_the_new_place(handed, tmp_path):
    (tmp_path / "tools.toml").write_text((Path(EXAMPLES).parent / "stiffen/data/starter_tools.toml").read_text())
    handed.write_text(HANDED.replace('"starter"', '"tools.toml"'))
    (tmp_path / "deep").mkdir()
    other, _ = mirror_panel(handed, tmp_path / "deep" / "right.toml")
    assert 'tools = "../tools.toml"' in (tmp_path / "deep" / "right.toml").read_text()
    assert other.tools.bead_dies == read_panel(handed).tools.bead_dies


def test_a_layout_is_mirrored_with_its_beads_and_holes(handed, tmp_path):
    panel = read_panel(handed)
    write_json(tmp_path / "layout.json", layout_document(panel, panel.layout(), {"status": "met"}))
    mirror_layout(tmp_path / "layout.json", tmp_path / "right.json")
    other, layout = read_layout(tmp_path / "right.json")
    assert_mirrored(panel, other)
    assert layout.beads[0].path == ((340.0, 60.0), (140.0, 100.0))
    assert layout.holes[0].at == (100.0, 180.0)


def test_names_change_hands():
    assert [mirrored_name(name) for name in ("Left cheek", "cheek LEFT", "right", "lid", "lid, mirrored")] == [
        "Right cheek",
        "cheek RIGHT",
        "left",
        "lid, mirrored",
        "lid",
    ]


def test_what_cannot_be_done_is_told_and_nothing_is_written(handed, tmp_path, capsys):
    for target in (handed, tmp_path / "there.toml"):
        (tmp_path / "there.toml").write_text("mine")
        with pytest.raises(InputError, match="is the file to mirror|is there already"):
            mirror_panel(handed, target)
    assert handed.read_text() == HANDED
    assert (tmp_path / "there.toml").read_text() == "mine"
    assert main(["mirror", str(handed), str(tmp_path / "x.json")]) == 2
    assert "is another kind of file" in capsys.readouterr().err
    handed.write_text(HANDED.replace("gauges", "guages"))
    assert main(["mirror", str(handed), str(tmp_path / "x.toml")]) == 2
    assert not (tmp_path / "x.toml").exists()
    assert main(["mirror", str(tmp_path / "none.toml"), str(tmp_path / "x.toml")]) == 2
    handed.write_text(HANDED)
    assert main(["mirror", str(handed), str(tmp_path / "no" / "x.toml")]) == 2
    assert "make the folder first" in capsys.readouterr().err


def test_faces_and_folds_keep_their_sense(tmp_path):
    """The up face of the one part is the up face of the other, so a flange up stays up."""
    source = EXAMPLES / "foot_plate.toml"
    panel, (other, _) = read_panel(source), mirror_panel(source, tmp_path / "other.toml")
    assert [fold.angle for fold in other.folds] == [fold.angle for fold in panel.folds] != []
    assert other.bead_side == panel.bead_side


def test_flanges_and_trims_change_hands():
    data = {
        "panel": {
            "name": "tray", "material": "5754-H111", "gauges": [1.0], "tools": "starter",
            "outline": [[0, 0], [200, 0], [200, 100], [0, 100]],
        },
        "flange": [{"edge": "left", "leg": 20}, {"edge": [[200, 100], [0, 100]], "leg": 15}],
        "trim": [{"along": "outline", "from": [200, 20], "to": [200, 80], "kg_per_metre": 0.1}],
    }  # fmt: skip
    panel = panel_from_dict(data, Path())
    other = mirrored_panel(panel, "tray, mirrored")
    x0, _, x1, _ = panel.region.bounds
    image = affinity.scale(panel.region, -1, 1, origin=((x0 + x1) / 2, 0))
    assert other.region.symmetric_difference(image).area < 1e-3
    assert sorted(fold.angle for fold in other.folds) == sorted(fold.angle for fold in panel.folds)
    lines = [LineString([(x0 + x1 - x, y) for x, y in fold.line]) for fold in panel.folds]
    for fold in other.folds:
        assert min(line.hausdorff_distance(LineString(fold.line)) for line in lines) < 1e-6
    length = [LineString(one.trims[0].path).length for one in (panel, other)]
    assert length[1] == pytest.approx(length[0])
