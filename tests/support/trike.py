"""A made-up panel of a cargo trike with made-up verdicts, for the tests of what is written."""

import math

import numpy as np
from shapely.geometry import box

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Cutout, Demand, Fold, KeepOut, Load, Panel, Support
from stiffen.model.results import LINEAR, NONLINEAR, DemandResult, ResultFields, Verdict
from stiffen.model.tools import BeadDie, HoleDie, Roller, Tools, Trial

B16 = BeadDie("B16", "round", 16.0, 4.0, shoulder_radius=3.0)
B20 = BeadDie("B20", "flat", 20.0, 5.0, nose_radius=3.0, shoulder_radius=3.0)
L50 = HoleDie("L50", pilot=36.7, finished=42.0, flange=50.0, rise=4.0)
TOOLS = Tools(
    "made-up shop",
    Roller(),
    (B16, B20),
    (L50,),
    trials=(Trial("B16", "5754-H111", 1.0, (0.5, 1.0, 2.0, 3.0), (0.5, 1.2, 2.8, 4.2)),),
)
SHEET = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80.0, 190.0, 0.15, ((1.5, 0.5), (6.0, 1.0)))


def ring(shape):
    return tuple((float(x), float(y)) for x, y in shape.exterior.coords[:-1])


OUTLINE = ring(box(0, 0, 560, 380).buffer(-15).buffer(15).normalize().reverse())
HOLE_RING = tuple((120 + 16 * math.cos(a), 60 + 16 * math.sin(a)) for a in np.arange(64) * math.pi / 32)
PANEL = Panel(
    name="battery hatch",
    material=SHEET,
    gauges=(1.0, 1.5),
    outline=OUTLINE,
    tools=TOOLS,
    cutouts=(Cutout(HOLE_RING, (120.0, 60.0, 32.0)),),
    bead_side="either",
    supports=(
        Support("rivets", path=((10.0, 40.0), (10.0, 360.0)), pitch=40.0, diameter=4.0),
        Support("bolts", at=((540.0, 50.0), (540.0, 350.0)), diameter=6.0),
    ),
    loads=(Load("wind", "pressure", 0.0005),),
    demands=(Demand("deflection", 1.5, "wind"), Demand("softness", 0.4, force=10.0), Demand("frequency", 45.0)),
    keep_outs=(
        KeepOut(((200.0, 330.0), (240.0, 330.0), (240.0, 350.0), (200.0, 350.0)), ("bead", "hole"), "cable clip"),
        KeepOut(((330.0, 40.0), (500.0, 40.0), (500.0, 80.0), (330.0, 80.0)), ("bead",), "label"),
    ),
    folds=(Fold(((0.0, 20.0), (560.0, 20.0)), 90.0, 2.0),),
)
LAYOUT = Layout(
    1.0,
    (
        Bead(B16, ((60.0, 110.0), (500.0, 110.0))),
        Bead(B16, ((60.0, 210.0), (440.0, 210.0))),
        Bead(B20, ((60.25, 290.0), (300.0, 290.0), (400.0, 270.0), (500.0, 270.125)), "down"),
    ),
    (Hole(L50, (150.0, 160.0)), Hole(L50, (480.0, 330.0), "down")),
)
FRAME = Layout(
    1.0,
    (Bead(B16, tuple((float(x), float(y)) for x, y in box(60, 100, 500, 320).buffer(-70).buffer(70).exterior.coords)),),
)


def verdict(layout, deflection=1.1, hertz=52.0, decided=LINEAR, warnings=(), maps=True):
    """A verdict with a half-sine field on a structured mesh."""
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, 560, 29), np.linspace(0, 380, 20)))
    first = np.array([i + 29 * j for j in range(19) for i in range(28)])
    triangles = np.vstack(
        [np.column_stack([first, first + 1, first + 30]), np.column_stack([first, first + 30, first + 29])]
    )
    shape = np.sin(np.pi * x / 560) * np.sin(np.pi * y / 380)
    few = slice(None, None, 7)
    fields = ResultFields(
        np.column_stack([x, y]),
        triangles,
        np.zeros(len(x)),
        {"wind": -deflection * shape},
        np.column_stack([x, y, 0.03 * shape])[few],
        ((hertz, shape),),
    )
    demands = (
        DemandResult(
            *("deflection", "deflection wind", "mm", 1.5, deflection, 1 - deflection / 1.5, deflection <= 1.5, "wind"),
            decided_by=decided,
            deflection_over_thickness=deflection / layout.gauge,
            mesh_error=0.02,
            by_in_plane_restraint={"free": deflection, "held": 0.8 * deflection},
            at=(280.0, 190.0),
        ),
        DemandResult(
            "softness",
            "softness 10 N",
            "mm",
            0.4,
            0.3,
            0.25,
            True,
            None,
            10.0,
            deflection_over_thickness=0.3,
            mesh_error=0.02,
        ),
        DemandResult("frequency", "frequency", "Hz", 45.0, hertz, hertz / 45 - 1, hertz >= 45, mesh_error=0.01),
    )
    return Verdict(
        panel=PANEL.name,
        layout=layout,
        mass_kg=PANEL.mass(layout),
        blank_mass_kg=PANEL.mass(Layout(layout.gauge)),
        demands=demands,
        nodes=580,
        mesh_error=0.02,
        warnings=tuple(warnings),
        fields=fields if maps else None,
        seconds=1.5,
    )


GOOD = verdict(LAYOUT)
FLAT = verdict(Layout(1.0), 2.4, 24.0, NONLINEAR)
