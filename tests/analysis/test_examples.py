"""Every example is read, audited and meshed; the small ones are evaluated.  A mirror pair has the same values."""

import csv
from pathlib import Path

import numpy as np
import pytest

from stiffen.analysis.evaluation import check
from stiffen.analysis.panel_model import build_panel_model
from stiffen.analysis.supports import in_plane_assumptions
from stiffen.cli.entry import main
from stiffen.io.panel_file import layout_document, read_panel, write_json
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.shop.layout_check import audit, audit_supports

FOLDER = Path(__file__).parents[2] / "examples"
FILES = sorted(FOLDER.glob("*.toml"))
# Two gauges of the sheet without a searched layout (with the beads and holes that the file fixes), on a quick mesh: the
# thinner one misses the demands, the thicker one meets them.
FLAT_MEETS = {"battery_hatch": (1.5, 2.0), "rear_bulkhead": (1.2, 1.5), "foot_plate": (1.5, 2.0)}


def ids(path):
    return path.stem


def panel_of(name):
    return read_panel(FOLDER / f"{name}.toml")


def test_there_are_panels_of_every_kind():
    assert {"battery_hatch", "floor_pan", "rear_bulkhead", "side_cheek_left", "side_cheek_right", "foot_plate"} <= {
        path.stem for path in FILES
    }


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_it_opens_with_its_question_and_a_command(path):
    head = path.read_text().split("[panel]")[0]
    assert all(line.startswith("#") for line in head.splitlines() if line)
    assert "The question:" in head
    assert "Lengths in mm" in head
    assert f"stiffen check examples/{path.name}" in head
    assert f"[{path.name}]" in (FOLDER / "README.md").read_text()


@pytest.mark.parametrize("path", FILES, ids=ids)
def test_it_is_read_keeps_the_rules_and_is_meshed(path):
    panel = read_panel(path)
    assert panel.demands
    assert panel.loads or not any(demand.case for demand in panel.demands)
    layout = panel.layout()
    assert audit(panel, layout) == ()
    assert audit_supports(panel) == ()
    mesh = mesh_panel(panel, layout, mesh_level="quick")
    pilots = sum(np.pi / 4 * hole.die.pilot**2 for hole in layout.holes)
    opened = sum(np.pi / 4 * hole.die.finished**2 for hole in layout.holes)  # in plan, after flaring
    assert panel.region.area - opened == pytest.approx(mesh.area, rel=2e-3)
    assert panel.mass(layout) == pytest.approx(panel.material.rho * layout.gauge * (panel.region.area - pilots))


@pytest.mark.parametrize("name", FLAT_MEETS)
def test_the_flat_sheet_must_be_thick(name):
    panel = panel_of(name)
    thin, thick = FLAT_MEETS[name]
    assert not check(panel, panel.layout(thin), mesh_level="quick", mesh_error=False).met
    assert check(panel, panel.layout(thick), mesh_level="quick", mesh_error=False).met


def test_a_heavy_foot_on_the_floor_pan_is_decided():
    panel = panel_of("floor_pan")
    verdict = check(panel, panel.layout(max(panel.gauges)), mesh_level="quick", mesh_error=False)
    assert len(verdict.demands) == len(panel.demands)
    assert all(np.isfinite(demand.value) and demand.value > 0 for demand in verdict.demands)


def test_the_side_cheeks_are_a_mirror_pair():
    left, right = panel_of("side_cheek_left"), panel_of("side_cheek_right")
    assert left.bead_side == right.bead_side == "down"
    assert {hole.side for panel in (left, right) for hole in panel.holes} == {"down"}
    assert len(left.holes) == len(right.holes) >= 10
    assert [hole.at for hole in right.holes] == [(440 - x, y) for x, y in (hole.at for hole in left.holes)]
    assert left.mass(left.layout()) == pytest.approx(right.mass(right.layout()), rel=1e-9)
    first = []
    for panel in (left, right):
        layout = panel.layout(1.0)
        mesh = mesh_panel(panel, layout, mesh_level="quick")
        first.append(build_panel_model(panel, layout, mesh, in_plane_assumptions(panel)[0]).first_frequency)
    assert first[0] == pytest.approx(first[1], rel=0.005)  # the two meshes are not mirror images


def test_the_whole_trike_is_tallied(tmp_path, capsys):
    wanted = 0.0
    for path in FILES:
        panel = read_panel(path)
        layout = panel.layout()
        (tmp_path / path.stem).mkdir()
        write_json(tmp_path / path.stem / "layout.json", layout_document(panel, layout, None))
        wanted += panel.mass(layout)
    assert main(["tally", str(tmp_path), "--csv", str(tmp_path / "trike.csv")]) == 1  # none of them is evaluated
    out = capsys.readouterr().out
    total = next(line for line in out.splitlines() if line.startswith(f"{len(FILES)} in all"))
    assert f"{wanted:.3f}" in total
    assert "5754-H111 0.8 mm: 1 x 2000 x 1000 mm" in out
    assert "on top: 1." in out  # the brake pedal and the edge trims
    with (tmp_path / "trike.csv").open(newline="") as file:
        table = list(csv.DictReader(file))
    assert {row["panel"] for row in table} >= {"battery hatch", "floor pan", "rear bulkhead", "foot plate"}
    assert sum(float(row["mass_kg"]) for row in table) == pytest.approx(wanted, abs=1e-3)


def test_the_foot_plates_flanges_stand_down():
    panel = panel_of("foot_plate")
    mesh = mesh_panel(panel, panel.layout(), mesh_level="quick")
    assert mesh.nodes[:, 2].min() == pytest.approx(-25.0)
    assert mesh.nodes[:, 2].max() == pytest.approx(0.0, abs=1e-9)
    edge = np.abs(mesh.plan[:, 1]) < 1e-6
    assert mesh.nodes[edge, 2] == pytest.approx(-25.0)
