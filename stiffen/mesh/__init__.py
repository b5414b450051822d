"""Triangle meshes of panels: a panel and its layout to checked triangles on the true folded and beaded mid-surface.

It imports `model`, `shop` and `errors`.  In order of import:

- `size_field`: mesh levels, and the element size wanted at each place
- `triangulation`, `checks`: conforming Delaunay triangulation of points; what every mesh must fulfil
- `fold_geometry`, `feature_lines`: the map of the folds, sharp or round; lines that must be mesh edges (outline,
  cut-outs, sharp folds, supports, loads)
- `point_placement`, `bend_rows`, `fastener_points`: structured points on beads, flared holes, round bends and under
  fasteners; fill points
- `panel_mesh`: the mesh of a panel
- `normals`: sheet normals at the nodes

mm throughout; z points toward the "up" face.
"""

from .normals import node_normals
from .panel_mesh import Mesh, mesh_panel

__all__ = ["Mesh", "mesh_panel", "node_normals"]
