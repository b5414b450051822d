"""The example that answers when beads pay: beads are stiffer under small pushes, the flat sheet under large ones."""

import runpy
from pathlib import Path

import numpy as np
import pytest

EXAMPLE = Path(__file__).parents[2] / "examples" / "when_beads_pay.py"


@pytest.mark.slow
def test_beads_pay_at_small_pushes_and_longer_with_free_edges():
    names = runpy.run_path(str(EXAMPLE))
    (held,), (free,) = names["crossings"]["held"], names["crossings"]["free"]
    assert 40 < held < 100 < 250 < free < 450
    for in_plane, flat_200, beaded_200 in (("held", 4.00, 6.05), ("free", 8.29, 7.93)):
        # by a separate corotational trial of the same sheet; its bead length was not recorded and matters, hence 12 %
        flat, beaded = (np.interp(200.0, *curve[1:]) for curve in names["found"][in_plane])
        assert abs(flat / flat_200 - 1) < 0.04
        assert abs(beaded / beaded_200 - 1) < 0.12
