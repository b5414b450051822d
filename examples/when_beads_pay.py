"""When do beads pay, and on which face?  A flat sheet and the same with eight beads, edges held and free to draw in.

Sheet 500 x 400 x 1 mm, E 70 GPa, supported all round; a foot on 100 x 100 mm in the middle, growing from nothing to
1,300 N; beads 20 mm wide, 6 mm deep, across the short span where the edges are held, along the long one where they are
free.  The question: is the beaded sheet stiffer, and does it matter on which face the beads stand?  Lengths in mm,
forces in N.  Leaves `deflections`, mm at 400 N, and `crossings` with the flat sheet, N; run as a script it draws the
pictures of docs/when_beads_pay.md.
"""

from dataclasses import replace

import numpy as np

from stiffen.analysis.panel_model import meshed_model
from stiffen.io.tools_file import starter_tools
from stiffen.model.layout import Bead, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Load, Panel, Support
from stiffen.output.plots.load_deflection import find_crossings, load_controlled_curve

FOOT = 883.0
ASKED = 400.0
TOOLS = starter_tools()
DIE = TOOLS.bead_die("B20")
ACROSS = tuple(Bead(DIE, ((x, 22.04), (x, 377.96))) for x in (58.0, 118.0, 166.0, 226.0, 274.0, 334.0, 382.0, 442.0))
ALONG = tuple(Bead(DIE, ((22.04, y), (477.96, y))) for y in (56.0, 92.0, 140.0, 176.0, 224.0, 260.0, 308.0, 344.0))
BEADS = {"held": ACROSS, "free": ALONG}


def panel(in_plane):
    """The sheet with edges `held` or `free` in its plane, and a foot on its up face."""
    return Panel(
        f"edges {in_plane}",
        Material("aluminium sheet", 70e3, 0.33, 2.7e-6, 110.0, 210.0, 0.15),
        (1.0,),
        ((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0)),
        TOOLS,
        bead_side="either",
        supports=(Support("edge", in_plane=in_plane),),
        loads=(Load("foot", "patch", FOOT, at=(250.0, 200.0), size=(100.0, 100.0)),),
    )


def layouts(in_plane):
    """Titles and layouts: beads proud on the face away from the foot, none, and on the face of the foot."""
    away = Layout(1.0, tuple(replace(bead, side="down") for bead in BEADS[in_plane]))
    return {
        "beads away from the foot": away,
        "flat": Layout(1.0),
        "beads toward the foot": Layout(1.0, BEADS[in_plane]),
    }


def curves(in_plane):
    """(title, load in N, largest deflection in mm) of the three sheets."""
    out = []
    for title, layout in layouts(in_plane).items():
        factors, largest = meshed_model(panel(in_plane), layout, "quick", in_plane).load_deflection_curve("foot")
        out.append((title, factors * FOOT, largest))
    return out


found = {in_plane: curves(in_plane) for in_plane in ("held", "free")}
deflections = {
    in_plane: {title: float(np.interp(ASKED, *load_controlled_curve(load, w))) for title, load, w in three}
    for in_plane, three in found.items()
}
crossings = {
    in_plane: {
        title: [one.load for one in find_crossings(curve, load_controlled_curve(*three[1][1:]))]
        for title, curve in ((title, load_controlled_curve(*both)) for title, *both in (three[0], three[2]))
    }
    for in_plane, three in found.items()
}

if __name__ == "__main__":
    from stiffen.output.plots.load_deflection_plot import curve_picture

    for in_plane, three in found.items():
        curve_picture(panel(in_plane), three, f"docs/edges_{in_plane}.png", case="foot", load="push, N")
        print(in_plane, deflections[in_plane], crossings[in_plane])
