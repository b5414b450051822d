"""The example that answers when beads pay: the face decides where edges are held.

Compared with a second general finite-element program, quadratic shells, on the same layouts: design tables of the
project, mm at 400 N.  Our flat triangles give 2 to 5 % more on beaded sheet.
"""

import runpy
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parents[2] / "examples" / "when_beads_pay.py"
SECOND_PROGRAM = {
    ("held", "flat"): 5.16,
    ("held", "beads away from the foot"): 3.92,
    ("held", "beads toward the foot"): 6.18,
    ("free", "flat"): 11.31,
    ("free", "beads away from the foot"): 9.43,
    ("free", "beads toward the foot"): 9.75,
}


@pytest.mark.slow
def test_the_face_decides_where_edges_are_held():
    names = runpy.run_path(str(EXAMPLE))
    found = names["deflections"]
    for (in_plane, title), known in SECOND_PROGRAM.items():
        assert found[in_plane][title] == pytest.approx(known, rel=0.07), (in_plane, title)
    held = found["held"]
    assert held["beads away from the foot"] < 0.85 * held["flat"]
    assert held["beads toward the foot"] > 1.15 * held["flat"]
    assert names["crossings"]["held"]["beads away from the foot"] == []
    (crossing,) = names["crossings"]["held"]["beads toward the foot"]
    assert 100 < crossing < 250
