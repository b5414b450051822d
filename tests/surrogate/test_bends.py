"""Folded panels by the surrogate, beside the shell's quick mesh: tray, back bent round a tube, Z, edge tube."""

import pytest
from support.panels import B20, lid

from stiffen.analysis.screening import quick_utilisations
from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Demand, EdgeTrim, Fold, Load, Support
from stiffen.surrogate.laminated_panel import laminated_panel

DEMANDS = (Demand("frequency", 50.0), Demand("deflection", 1.0, "foot"))


def bent(b, folds, held, foot, newtons=60.0, **more):
    """A panel 400 x b mm, pinned along parts of its short edges, with a push at (200, foot)."""
    sides = tuple(Support("edge", in_plane="free", path=((x, held[0]), (x, held[1]))) for x in (0.0, 400.0))
    push = Load("foot", "patch", newtons, at=(200.0, foot), size=(60.0, 60.0))
    lines = tuple(Fold(((0.0, y), (400.0, y)), angle, radius) for y, angle, radius in folds)
    return lid(400.0, b, folds=lines, supports=sides, loads=(push,), demands=DEMANDS, **more)


PANELS = {
    "tray": bent(300.0, ((30.0, 90.0, 2.0), (270.0, 90.0, 2.0)), (30.0, 270.0), 150.0),
    "back round a tube": bent(400.0, ((150.0, 60.0, 60.0),), (260.0, 400.0), 320.0),
    "Z": bent(300.0, ((60.0, 90.0, 2.0), (240.0, -90.0, 2.0)), (60.0, 240.0), 150.0),
    "edge tube": bent(300.0, (), (0.0, 300.0), 60.0, 30.0, trims=(EdgeTrim(0.4, ((0.0, 0.0), (400.0, 0.0)), 2e7),)),
}
BEADS = {"tray": (90.0, 150.0), "back round a tube": (320.0, 370.0), "Z": (100.0, 150.0), "edge tube": (140.0, 200.0)}


@pytest.mark.slow
@pytest.mark.parametrize("name", PANELS)
def test_bends_and_edge_tubes(name):
    panel = PANELS[name]
    beads = tuple(Bead(B20, ((40.0, y), (360.0, y))) for y in BEADS[name])
    surrogate = laminated_panel(panel, 1.0)
    for layout in (Layout(1.0), Layout(1.0, beads)):
        shell = quick_utilisations(panel, layout)
        assert surrogate.respond(layout).utilisations == pytest.approx(shell, rel=0.08 if layout.beads else 0.02)
