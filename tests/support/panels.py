"""Panels made up for the tests of the shell model, the surrogate and the search."""

from dataclasses import replace

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Demand, Load, Panel, Support
from stiffen.model.tools import BeadDie, HoleDie, Roller, Tools

B16 = BeadDie("B16", "round", 16.0, 4.0)
B20 = BeadDie("B20", "round", 20.0, 6.0)
V12 = BeadDie("V12", "vee", 12.0, 4.0)
F24 = BeadDie("F24", "flat", 24.0, 5.0)
L50 = HoleDie("L50", pilot=35.86, finished=40.0, flange=50.0, rise=5.0)
L63 = HoleDie("L63", pilot=46.03, finished=51.0, flange=63.0, rise=6.0)
SHOP = Tools("made-up shop", Roller(throat=500.0), (B16, B20), (L50, L63))
SHEET = Material("soft sheet", 70e3, 0.33, 2.68e-6, 110.0, 210.0, 0.15)
EDGE = Support("edge", in_plane="free")


def lid(a=500.0, b=400.0, **changes):
    """A flat rectangle held all round, with one of each kind of demand that small deflections can decide."""
    panel = Panel(
        "lid",
        SHEET,
        (1.0,),
        ((0.0, 0.0), (a, 0.0), (a, b), (0.0, b)),
        SHOP,
        supports=(EDGE,),
        loads=(Load("wind", "pressure", 1e-5),),
        demands=(Demand("deflection", 0.1, "wind"), Demand("frequency", 40.0), Demand("softness", 0.01, force=0.1)),
    )
    return replace(panel, **changes)


def rows(die, ys, x0=30.0, x1=470.0):
    """Parallel beads along x."""
    return tuple(Bead(die, ((x0, y), (x1, y))) for y in ys)


SIX = {
    "one B16 along": Layout(1.0, rows(B16, (200.0,))),
    "three B16 along": Layout(1.0, rows(B16, (100.0, 200.0, 300.0))),
    "five B20 along": Layout(1.0, rows(B20, (67.0, 133.0, 200.0, 267.0, 333.0))),
    "three V12 across": Layout(1.0, tuple(Bead(V12, ((x, 30.0), (x, 370.0))) for x in (125.0, 250.0, 375.0))),
    "two F24 aslant": Layout(
        1.0, (Bead(F24, ((60.0, 40.0), (380.0, 360.0))), Bead(F24, ((160.0, 40.0), (440.0, 320.0))))
    ),
    "B20 and B16 mixed": Layout(1.0, rows(B20, (150.0, 250.0)) + rows(B16, (80.0, 320.0), 60.0, 400.0)),
}  # fmt: skip
HOLED = Layout(1.0, (), (Hole(L50, (130.0, 200.0)), Hole(L63, (350.0, 200.0))))
