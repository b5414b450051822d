"""A plain rectangle, and a panel with one of everything that stands in the way of a bead."""

from dataclasses import replace

from shapely.geometry import Point, Polygon

from stiffen.model.layout import Bead, Hole
from stiffen.model.material import Material
from stiffen.model.panel import Cutout, Fold, KeepOut, Panel, Support
from stiffen.model.tools import BeadDie, HoleDie, Roller, Tools

SOFT = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80, 190, 0.15, ((1.5, 0.5), (6.0, 1.0)))
DIES = (
    BeadDie("B12", "round", 12, 4, shoulder_radius=2),
    BeadDie("B16", "round", 16, 5, shoulder_radius=2.5),
    BeadDie("B20", "round", 20, 6, shoulder_radius=3),
    BeadDie("V14", "vee", 14, 4, nose_radius=2, shoulder_radius=1.5),
    BeadDie("T24", "flat", 24, 6, nose_radius=3, shoulder_radius=3),
)
HOLE_DIES = (HoleDie("F40", 28.69, 32, 40, 4), HoleDie("F60", 43, 48, 60, 6))
TOOLS = Tools("test bench", Roller(throat=450, least_path_radius=60), DIES, HOLE_DIES)


def outline(corners, radius=15.0):
    ring = Polygon(corners).buffer(-radius).buffer(2 * radius).buffer(-radius).exterior
    return tuple(ring.coords)[:-1][::-1]


RECTANGLE = Panel("rectangle", SOFT, (1.0,), outline([(0, 0), (500, 0), (500, 400), (0, 400)]), TOOLS)
BUSY = Panel(
    "busy",
    SOFT,
    (1.0, 1.5),
    outline([(0, 0), (700, 0), (700, 300), (420, 480), (0, 480)]),
    replace(TOOLS, roller=Roller(throat=260, least_path_radius=60), spacing={"bead_bead": 14.0}),
    cutouts=(Cutout(tuple(Point(180, 160).buffer(45, quad_segs=32).exterior.coords)[:-1], (180, 160, 90)),),
    bead_side="down",
    supports=(
        Support("rivets", path=((15, 40), (15, 440)), pitch=40, diameter=4.0),
        Support("bolts", at=((620, 60), (620, 240)), diameter=6.0),
    ),
    keep_outs=(KeepOut(((400, 150), (470, 150), (470, 230), (400, 230)), ("bead",), "cable clip"),),
    folds=(Fold(((0, 30), (700, 30)), 90, 2.0),),
    beads=(
        Bead(DIES[1], ((60, 380), (380, 380)), "down", fixed=True),
        Bead(DIES[1], ((60, 100), (380, 100)), "down"),
    ),
    holes=(Hole(HOLE_DIES[0], (560, 150), "down", fixed=True),),
)
