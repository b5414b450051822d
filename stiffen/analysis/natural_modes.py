"""Natural modes in air: of a panel on its supports in a rigid wall, and of one that hangs free."""

from __future__ import annotations

import numpy as np
import shapely

from stiffen.fem.blas_threads import one_thread
from stiffen.fem.linear import free_modes
from stiffen.fem.shell import Shell
from stiffen.mesh.normals import node_normals
from stiffen.mesh.panel_mesh import Mesh, mesh_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .air_mass import added_mass, added_mass_of_free, modes_in_fluid
from .edge_trims import trim_beams
from .loads import locate, lumped_masses, plan_areas


def modes_in_wall(mesh: Mesh, hertz: np.ndarray, shapes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Natural frequencies (k,) Hz in air, and normal displacements (n, k), from those in vacuum.

    The panel counts as part of a rigid wall, its plan as its shape; see `air_mass`.
    """
    in_air, parts = modes_in_fluid(hertz, mass_of_air(mesh, shapes))
    return in_air, shapes @ parts


def mass_of_air(mesh: Mesh, shapes: np.ndarray) -> np.ndarray:
    """(k, k) mass of the air that modes with normal displacements (n, k) move; the panel lies in a rigid wall."""
    corners = mesh.plan[mesh.triangles]
    share = np.repeat(np.abs(plan_areas(corners)) / 3, 3)
    areas = np.bincount(mesh.triangles.ravel(), share, len(mesh.plan))
    return added_mass(mesh.plan, areas, shapes)


@one_thread
def hanging_modes(
    panel: Panel, layout: Layout, count: int, mesh_level: str = "quick"
) -> tuple[np.ndarray, np.ndarray, Mesh]:
    """Elastic modes of a panel that hangs free: Hz in air (count,), normal displacements (n, count), and the mesh.

    What the panel file bolts on (masses, edge trim) hangs with it; its supports do not matter.  Raises MeshError.
    """
    mesh = mesh_panel(panel, layout, mesh_level=mesh_level)
    material = panel.material
    shell = Shell(mesh.nodes, mesh.triangles, layout.gauge, material.E, material.nu, material.rho)
    normals = node_normals(panel, mesh)
    beams = trim_beams(panel, mesh, normals)
    stiffness = None if beams is None else beams.stiffness_at_rest(len(mesh.nodes))
    hertz, shapes = free_modes(shell, count, lumped_masses(panel, mesh), stiffness)
    normal = np.einsum("ni,nik->nk", normals, shapes.reshape(len(normals), 6, -1)[:, :3])
    region = panel.region
    if layout.holes:
        openings = [shapely.Point(hole.at).buffer(hole.die.finished / 2) for hole in layout.holes]
        region = max(shapely.get_parts(region.difference(shapely.union_all(openings))), key=shapely.area)
    air = added_mass_of_free(region, lambda points: at_points(mesh, normal, points))
    in_air, parts = modes_in_fluid(hertz, air)
    return in_air, normal @ parts, mesh


def at_points(mesh: Mesh, values: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(k, c) nodal values (n, c) at plan points (k, 2), interpolated in their triangles."""
    triangle, shares = locate(mesh, points)
    return np.einsum("ki,kic->kc", shares, values[mesh.triangles[triangle]])
