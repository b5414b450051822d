"""Checks that every mesh must pass.  Each raises MeshError that names the place and a cure."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Polygon

from stiffen.errors import Fault, MeshError

from .triangulation import directed_edges, edge_keys, quality, signed_area

MIN_QUALITY = 0.15
MAX_AREA_ERROR = 1e-3  # of the plan area
DUPLICATE_DISTANCE = 1e-6  # mm: nodes nearer than this are duplicates


def mesh_error_at(
    place: np.ndarray, what: str, cure: str = "move lines that nearly touch apart, or try a smaller size"
) -> MeshError:
    """Error about the mesh at a place (2,) in plan."""
    return MeshError(str(Fault(f"mesh near ({place[0]:.2f}, {place[1]:.2f})", what, cure)))


def check_mesh(
    plan: np.ndarray,
    triangles: np.ndarray,
    required_edges: np.ndarray,
    area: float,
    max_area_error: float = MAX_AREA_ERROR,
) -> None:
    """Raises MeshError unless triangles (m, 3) on plan (n, 2) cover `area` mm2 once and in one part.

    The triangles must have sufficient quality, use every node, and have all required edges (k, 2).  The boundary may
    consist of required edges only.
    """
    _check_quality(plan, triangles)
    _check_topology(plan, triangles, required_edges)
    covered = signed_area(plan[triangles]).sum()
    if abs(covered - area) > max_area_error * area:
        what = f"{covered:.1f} mm2 of triangles for {area:.1f} mm2 of sheet"
        raise MeshError(str(Fault("mesh", what, "try a smaller size")))
    count = len(plan)
    unused = np.setdiff1d(np.arange(count), triangles)
    duplicates = cKDTree(plan).query_pairs(DUPLICATE_DISTANCE, output_type="ndarray")
    for nodes, what in ((unused, "a node that belongs to no triangle"), (duplicates[:, 0], "two nodes at one place")):
        if len(nodes):
            raise mesh_error_at(plan[nodes[0]], what)
    edges = directed_edges(triangles)
    graph = coo_matrix((np.ones(len(edges)), edges.T), shape=(count, count))
    if connected_components(graph, directed=False)[0] > 1:
        raise MeshError(str(Fault("mesh", "the sheet is in more than one part", "leave more sheet between holes")))


def _check_quality(plan: np.ndarray, triangles: np.ndarray) -> None:
    """Raises MeshError if a triangle has a lower quality than MIN_QUALITY."""
    q = quality(plan[triangles])
    if q.min() < MIN_QUALITY:
        what = f"a triangle of quality {q.min():.3f}, at least {MIN_QUALITY} is required"
        cure = "move lines apart that nearly touch or meet at a few degrees"
        raise mesh_error_at(plan[triangles[q.argmin()]].mean(axis=0), what, cure)


def _check_topology(plan: np.ndarray, triangles: np.ndarray, required_edges: np.ndarray) -> None:
    """Raises MeshError unless all required edges exist, the boundary has no others, and triangles do not overlap."""
    edges, count = directed_edges(triangles), len(plan)
    key, required = edge_keys(edges, count), edge_keys(required_edges, count)
    missing = ~np.isin(required, key)
    if missing.any():
        raise mesh_error_at(
            plan[required_edges[missing][0]].mean(axis=0), "a line of the panel is missing among the edges of the mesh"
        )
    single, times = np.unique(key, return_counts=True)
    open_edges = single[times == 1][~np.isin(single[times == 1], required)]
    if len(open_edges):
        raise mesh_error_at(plan[open_edges[0] // count], "the mesh has a gap")
    directed, times = np.unique(edges[:, 0] * count + edges[:, 1], return_counts=True)
    if times.max() > 1:
        raise mesh_error_at(plan[directed[times.argmax()] // count], "triangles overlap")


def check_path(path: tuple, plan: np.ndarray, edges: np.ndarray, region: Polygon, tolerance: float) -> None:
    """Raises MeshError unless mesh edges (k, 2) cover the part of a path that lies `tolerance` mm inside the sheet."""
    ends = plan[edges]
    covered = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum()
    length = LineString(path).intersection(region.buffer(-tolerance)).length
    if not len(edges) or covered < 0.99 * length - 4 * tolerance:
        where = f"path from ({path[0][0]:g}, {path[0][1]:g})"
        what = f"only {covered:.1f} mm of {length:.1f} mm on the sheet are edges of the mesh"
        raise MeshError(str(Fault(where, what, "move it off lines it nearly touches")))
