"""Equilibria found from a coarse mesh's are those of paths followed from rest; a sheet that snaps has no such guess."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stiffen.analysis.panel_model import PanelModel, build_panel_model
from stiffen.fem.first_guess import carried_over
from stiffen.fem.nonlinear import follow_path
from stiffen.fem.shell import Shell
from stiffen.io.panel_file import read_panel
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.mesh.size_field import background_side
from stiffen.validation.fixtures import dofs, nodes_at
from stiffen.validation.structured_meshes import rectangle

EXAMPLES = Path(__file__).parents[2] / "examples"
CASES = [
    ("battery_hatch.toml", "wind"),
    ("floor_pan.toml", "foot"),
    ("foot_plate.toml", "kerb"),
    ("rear_bulkhead.toml", "braking"),
    ("side_cheek_left.toml", "knee"),
]


@pytest.mark.parametrize(("name", "case"), CASES)
def test_a_path_found_from_the_coarse_mesh_ends_where_the_path_from_rest_does(name, case):
    panel = read_panel(EXAMPLES / name)
    layout, size = panel.layout(), background_side(panel.region.area, "quick")
    meshes = (mesh_panel(panel, layout, size=side, mesh_level="quick") for side in (2 * size, None))
    coarse, fine = (build_panel_model(panel, layout, mesh, "held") for mesh in meshes)
    straight = fine.equilibrium_path(case)
    guided: PanelModel = replace(fine, coarser=coarse, _cache={})
    path = guided.equilibrium_path(case)
    assert path.guessed and not straight.guessed
    assert path.end_state.displacements == pytest.approx(straight.end_state.displacements, abs=1e-5)
    assert path.iterations < straight.iterations
    assert path.reactions == pytest.approx(straight.reactions, abs=1e-4 * np.abs(straight.reactions).max())


def test_rigid_parts_are_carried_exactly():
    """A strip that turns by 60 degrees about its clamp, without strain, on a mesh twice as fine."""
    coarse, fine = (Shell(*rectangle(80.0, 20.0, *cells), 1.0, 70e3, 0.3) for cells in ((4, 1), (9, 3)))
    turn = np.array([[0.5, 0, -np.sqrt(0.75)], [0, 1, 0], [np.sqrt(0.75), 0, 0.5]])
    clamped = dofs(nodes_at(coarse.nodes, 0, 0.0), "123456")
    forces = np.zeros(coarse.dof_count)
    forces[6 * nodes_at(coarse.nodes, 0, 80.0) + 2] = 1e-3
    path = follow_path(coarse, clamped, forces)
    moved = coarse.nodes @ turn.T - coarse.nodes
    state = replace(path.end_state, displacements=moved, rotations=np.tile(turn, (len(moved), 1, 1)))
    guess = carried_over(replace(path, end_state=state), fine)
    assert guess.state.displacements == pytest.approx(fine.nodes @ turn.T - fine.nodes, abs=1e-9)
    assert guess.membrane == pytest.approx(np.zeros((len(fine.triangles), 3)), abs=1e-8)


def test_nothing_is_carried_over_from_a_sheet_that_snaps_through():
    """A shallow arch pushed down at its crown: on the way the load falls, on each mesh in its own way."""

    def arch(cells: int) -> tuple[Shell, np.ndarray, np.ndarray]:
        nodes, triangles = rectangle(100.0, 10.0, cells, 1)
        nodes[:, 2] = 3.0 * np.sin(np.pi * nodes[:, 0] / 100.0)
        ends = np.concatenate([nodes_at(nodes, 0, 0.0), nodes_at(nodes, 0, 100.0)])
        forces = np.zeros((len(nodes), 6))
        crown = nodes_at(nodes, 0, 50.0)
        forces[crown, 2] = -10.0 / len(crown)
        return Shell(nodes, triangles, 0.5, 70e3, 0.3), dofs(ends, "1234"), forces.ravel()

    path = follow_path(*arch(10), target_factor=2.0)
    assert path.limit_factor is not None and not path.is_plain
    assert carried_over(path, arch(20)[0]) is None
