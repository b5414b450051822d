"""How long the large-deflection solver takes under a foot: 883 N on 500 x 400 x 1 mm with five beads, edges held.

Printed for each mesh level: nodes, CPU seconds, iterations, factorisations, the deflection and its difference from that
on the fine mesh; the time of one iteration over that of one linear assembly, factors and solve on the same mesh;
iterations and CPU seconds of the same equilibrium found from that on a mesh twice as coarse, with that path's time.

    python benchmarks/large_speed.py            # a minute
    python benchmarks/large_speed.py --quick    # the coarse mesh alone
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from stiffen.analysis.loads import case_forces
from stiffen.analysis.panel_model import PanelModel, build_panel_model
from stiffen.fem.blas_threads import one_thread
from stiffen.fem.linear import LinearModel
from stiffen.fem.shell import Shell
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.mesh.size_field import background_side
from stiffen.model.layout import Bead, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Load, Panel, Support
from stiffen.model.tools import BeadDie, Roller, Tools

DIE = BeadDie("B20", "round", 20.0, 6.0)
PANEL = Panel(
    "floor pan",
    Material("aluminium", 70e3, 0.33, 2.7e-6, 100.0, 200.0, 0.15),
    (1.0,),
    ((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0)),
    Tools("shop", Roller(throat=500.0), (DIE,), ()),
    supports=(Support("edge", in_plane="held"),),
    loads=(Load("foot", "patch", 883.0, at=(250.0, 200.0), size=(100.0, 100.0)),),
)
FIVE = Layout(1.0, tuple(Bead(DIE, ((40.0, y), (460.0, y))) for y in (40.0, 120.0, 200.0, 280.0, 360.0)))
GOALS = {"quick": "3 s, within 4 %", "normal": "12 s, 30 factorisations, 1.3 of linear", "fine": ""}


def linear_seconds(model: PanelModel) -> float:
    """CPU seconds of one linear assembly, factors and solve, the least of three."""
    forces = case_forces(PANEL, model.mesh, np.zeros(len(model.mesh.nodes)), "foot")
    least = np.inf
    for _ in range(3):
        start = time.process_time()
        LinearModel(
            Shell(model.mesh.nodes, model.mesh.triangles, 1.0, PANEL.material.E, PANEL.material.nu),
            model.restraints.linear_fixed,
        ).solve(forces)
        least = min(least, time.process_time() - start)
    return least


def from_coarser(mesh_level: str, model: PanelModel) -> tuple[int, float]:
    """Iterations, and CPU seconds with those of the coarse mesh, of the path found from a mesh twice as coarse."""
    size = 2 * background_side(PANEL.region.area, mesh_level)
    mesh = mesh_panel(PANEL, FIVE, mesh_level=mesh_level, size=size)
    fresh = build_panel_model(PANEL, FIVE, model.mesh, "held")
    guided = replace(fresh, coarser=build_panel_model(PANEL, FIVE, mesh, "held"))
    guided.linear_solution("foot")  # factors of the linear stiffness, which the path from rest found made
    start = time.process_time()
    path = guided.equilibrium_path("foot")
    return path.iterations, time.process_time() - start


@one_thread
def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="the coarse mesh alone")
    mesh_levels = ("quick",) if parser.parse_args().quick else ("fine", "normal", "quick")
    print(
        f"{'mesh':7} {'nodes':>6} {'s':>6} {'iter':>5} {'factors':>7} {'w mm':>7} {'off':>6} {'an iteration':>14} "
        f"{'guided':>7} {'s':>6}  goal"
    )
    fine_w = None  # mm, on the first and finest mesh
    for mesh_level in mesh_levels:
        model = build_panel_model(PANEL, FIVE, mesh_panel(PANEL, FIVE, mesh_level=mesh_level), "held")
        once = linear_seconds(model)
        model.linear_solution("foot")
        start = time.process_time()
        path = model.equilibrium_path("foot")
        took = time.process_time() - start
        w = float(path.max_displacements[-1])
        fine_w = fine_w or w
        nodes = len(model.mesh.nodes)
        iterations, seconds = from_coarser(mesh_level, model)
        ratio = f"{took / path.iterations / once:.2f} of linear"
        print(
            f"{mesh_level:7} {nodes:6} {took:6.2f} {path.iterations:5} {path.factorisations:7} {w:7.3f} "
            f"{100 * (w / fine_w - 1):+5.1f}% {ratio:>14} {iterations:7} {seconds:6.2f}  {GOALS[mesh_level]}",
            flush=True,
        )


if __name__ == "__main__":
    main()
