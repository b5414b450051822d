"""The mesh of a layout is the same on every processor: the last digits of its arithmetic decide nothing.

numpy computes some functions by other code where a processor can do more; switched off, the last digits change as they
do on another processor.  Before lengths were compared to nine decimals, 24 of 77 layouts were meshed otherwise then.
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np

import stiffen
from stiffen.mesh.panel_mesh import mesh_panel

LAYOUTS = Path(__file__).parents[1] / "kept" / "layouts"
NAMES = ("battery_hatch", "floor_pan", "foot_plate")  # those that differed
MESH = """
import json, sys, stiffen
from stiffen.mesh.panel_mesh import mesh_panel
meshes = [mesh_panel(*stiffen.read_layout(path), mesh_level="quick") for path in sys.argv[1:]]
print(json.dumps([(mesh.nodes.tolist(), mesh.triangles.tolist()) for mesh in meshes]))
"""


def numpy_features() -> list[str]:
    """What this processor can do beyond what numpy needs."""
    from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__

    return [feature for feature in __cpu_dispatch__ if __cpu_features__[feature]]


def test_mesh_does_not_depend_on_the_processor():
    paths = [LAYOUTS / f"{name}.json" for name in NAMES]
    ran = subprocess.run(
        [sys.executable, "-c", MESH, *map(str, paths)],
        env={**os.environ, "NPY_DISABLE_CPU_FEATURES": " ".join(numpy_features())},
        capture_output=True,
        text=True,
        check=True,
    )
    for path, (nodes, triangles) in zip(paths, json.loads(ran.stdout), strict=True):
        mesh = mesh_panel(*stiffen.read_layout(path), mesh_level="quick")
        assert np.array(triangles).tolist() == mesh.triangles.tolist()
        assert np.abs(np.array(nodes) - mesh.nodes).max() < 1e-9
