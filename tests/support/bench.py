"""A plain panel, dies and beads for the tests of how a layout is made."""

from stiffen.model.layout import Bead
from stiffen.model.material import Material
from stiffen.model.panel import Panel
from stiffen.model.tools import BeadDie, HoleDie, Roller, Tools

SOFT = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80, 190, 0.15, ((1.5, 0.5), (6.0, 1.0)))
B16 = BeadDie("B16", "round", 16, 5, shoulder_radius=2.5)
V14 = BeadDie("V14", "vee", 14, 4, nose_radius=2, shoulder_radius=1.5)
T24 = BeadDie("T24", "flat", 24, 6, nose_radius=3, shoulder_radius=3)
F60 = HoleDie("F60", pilot=43.03, finished=48, flange=60, rise=6)
ROLLER = Roller(throat=450, screw_lead=1.5, hand_speed=800, set_up_minutes=1, die_change_minutes=4)
TOOLS = Tools("test bench", ROLLER, (B16, V14, T24), (F60,))
PANEL = Panel("plain", SOFT, (1.0,), ((0, 0), (600, 0), (600, 400), (0, 400)), TOOLS)


def across(y, die=B16, side="up"):
    return Bead(die, ((100, y), (500, y)), side)


def upright(x, die=B16):
    return Bead(die, ((x, 60), (x, 340)))
