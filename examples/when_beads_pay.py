"""When do beads pay?  A flat sheet and the same with five beads, held at its edges and free to draw in.

Sheet 500 x 400 x 1 mm, E 70 GPa, supported all round; a foot of 883 N on 100 x 100 mm in the middle, growing from
nothing; beads 20 mm wide, 6 mm deep, 440 mm long.  The question: at which push does the beaded sheet stop being the
stiffer one?  Lengths in mm, forces in N.  Leaves `crossings`, N, by how the edges hold; run as a script it draws the
picture of the README.
"""

from stiffen.analysis.panel_model import meshed_model
from stiffen.model.layout import Bead, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Load, Panel, Support
from stiffen.model.tools import BeadDie, Roller, Tools
from stiffen.output.plots.load_deflection import find_crossings, load_controlled_curve

FOOT = 883.0
DIE = BeadDie("B20", "round", 20.0, 6.0)
FLAT = Layout(1.0)
BEADED = Layout(1.0, tuple(Bead(DIE, ((30.0, y), (470.0, y))) for y in (66.7, 133.3, 200.0, 266.7, 333.3)))


def panel(in_plane):
    """The sheet with edges `locked_folder` or `free` in its plane."""
    return Panel(
        f"edges {in_plane}",
        Material("aluminium sheet", 70e3, 0.33, 2.7e-6, 110.0, 210.0, 0.15),
        (1.0,),
        ((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0)),
        Tools("one die", Roller(), (DIE,)),
        supports=(Support("edge", in_plane=in_plane),),
        loads=(Load("foot", "patch", FOOT, at=(250.0, 200.0), size=(100.0, 100.0)),),
    )


def curves(in_plane):
    """(title, load in N, largest deflection in mm) of the flat and the beaded sheet."""
    out = []
    for title, layout in (("flat", FLAT), ("five beads", BEADED)):
        factors, largest = meshed_model(panel(in_plane), layout, "quick", in_plane).load_deflection_curve("foot")
        out.append((title, factors * FOOT, largest))
    return out


found = {in_plane: curves(in_plane) for in_plane in ("held", "free")}
crossings = {
    in_plane: [one.load for one in find_crossings(*(load_controlled_curve(*curve[1:]) for curve in both))]
    for in_plane, both in found.items()
}

if __name__ == "__main__":
    from stiffen.output.plots.load_deflection_plot import curve_picture

    for in_plane, both in found.items():
        title = f"edges {in_plane}"
        curve_picture(panel(in_plane), both, f"docs/edges_{in_plane}.png", case="foot", load="push, N")
        print(title, crossings[in_plane])
