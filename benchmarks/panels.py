"""Fourteen panels of different shape, support and demand, all from the cargo trike's shop, for the search's benchmarks.

In the last six large deflection decides.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from stiffen.io.panel_file import read_panel
from stiffen.io.tools_file import starter_tools
from stiffen.model.material import Material
from stiffen.model.panel import Cutout, Demand, Fold, Load, Panel, Support

EXAMPLES = Path(__file__).parent.parent / "examples"
SHEET = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80.0, 190.0, 0.15)
GAUGES = (0.8, 1.0, 1.2, 1.5, 2.0)


def ring(diameter: float, points: int) -> tuple[tuple[float, float], ...]:
    """A circle about the origin as a polygon."""
    turn = 2 * math.pi * np.arange(points) / points
    x, y = diameter / 2 * np.cos(turn), diameter / 2 * np.sin(turn)
    return tuple(zip(x.tolist(), y.tolist(), strict=True))


def edge(*path: tuple[float, float], hold: str = "pinned") -> Support:
    """An edge support, free in plane, along a path; along the whole outline if none is given."""
    return Support("edge", hold, in_plane="free", path=path or None)


def panel(name: str, outline: tuple, supports: tuple, loads: tuple, demands: tuple, **more: tuple) -> Panel:
    """A panel of this shop."""
    return Panel(name, SHEET, GAUGES, outline, starter_tools(), supports=supports, loads=loads, demands=demands, **more)


def wind(megapascal: float) -> Load:
    """Pressure on the whole sheet."""
    return Load("wind", "pressure", megapascal)


EIGHT = (
    panel(
        "lid held all round",
        ((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0)),
        (edge(),),
        (wind(2e-5),),
        (Demand("deflection", 0.08, "wind"), Demand("frequency", 48.0)),
    ),
    panel(
        "L, clamped on two edges",
        ((0.0, 0.0), (520.0, 0.0), (520.0, 220.0), (240.0, 220.0), (240.0, 440.0), (0.0, 440.0)),
        (edge((0.0, 0.0), (520.0, 0.0), hold="clamped"), edge((0.0, 0.0), (0.0, 440.0), hold="clamped")),
        (Load("hand", "patch", 1.0, at=(400.0, 150.0), size=(40.0, 40.0)),),
        (Demand("deflection", 0.3, "hand"), Demand("softness", 0.6, force=0.5)),
    ),
    panel(
        "trapezium with two folds",
        ((0.0, 0.0), (620.0, 0.0), (620.0, 30.0), (500.0, 410.0), (500.0, 440.0), (120.0, 440.0), (120.0, 410.0),
         (0.0, 30.0)),
        (edge((0.0, 30.0), (120.0, 410.0)), edge((620.0, 30.0), (500.0, 410.0))),
        (wind(2e-5),),
        (Demand("frequency", 50.0), Demand("deflection", 0.1, "wind")),
        folds=(Fold(((0.0, 30.0), (620.0, 30.0)), 90.0, 2.0), Fold(((120.0, 410.0), (500.0, 410.0)), 90.0, 2.0)),
    ),
    panel(
        "disc with a hub hole",
        ring(460.0, 72),
        (edge(),),
        (wind(2e-5),),
        (Demand("deflection", 0.09, "wind"), Demand("frequency", 45.0)),
        cutouts=(Cutout(ring(60.0, 24), (0.0, 0.0, 60.0)),),
    ),
    panel(
        "long strip on its short ends",
        ((0.0, 0.0), (800.0, 0.0), (800.0, 180.0), (0.0, 180.0)),
        (edge((0.0, 0.0), (0.0, 180.0)), edge((800.0, 0.0), (800.0, 180.0))),
        (),
        (Demand("frequency", 12.0),),
    ),
    panel(
        "plate on four bolts",
        ((0.0, 0.0), (420.0, 0.0), (420.0, 420.0), (0.0, 420.0)),
        (Support("bolts", in_plane="free", at=((25.0, 25.0), (395.0, 25.0), (395.0, 395.0), (25.0, 395.0)),
                 diameter=8.0),),
        (),
        (Demand("softness", 0.2, force=0.5), Demand("frequency", 25.0)),
    ),
    read_panel(EXAMPLES / "rear_bulkhead.toml"),
    read_panel(EXAMPLES / "floor_pan.toml"),
)  # fmt: skip


def foot(newtons: float, x: float, y: float, size: float = 100.0) -> Load:
    """A foot on a square of the sheet; positive pushes onto the up face."""
    return Load("foot", "patch", newtons, at=(x, y), size=(size, size))


def rectangle(a: float, b: float) -> tuple[tuple[float, float], ...]:
    """A rectangle with a corner at the origin."""
    return ((0.0, 0.0), (a, 0.0), (a, b), (0.0, b))


HELD = Support("edge", in_plane="held")
RIVETED = Support(
    "rivets", in_plane="held", pitch=42.0, diameter=4.0,
    path=((12.0, 12.0), (348.0, 12.0), (348.0, 228.0), (12.0, 228.0), (12.0, 12.0)),
)  # fmt: skip
CURVED = (
    (0.0, 0.0), (480.0, 0.0),
    *((480.0 + 60.0 * math.sin(math.pi * k / 12), 320.0 * k / 12) for k in range(1, 12)),
    (480.0, 320.0), (0.0, 320.0),
)  # fmt: skip

LARGE_DEFLECTION = (
    panel("foot from the hollow side", rectangle(500.0, 400.0), (HELD,), (foot(-400.0, 250.0, 200.0),),
          (Demand("deflection", 3.8, "foot"),), beads_at_most=8),
    panel("foot on the crests", rectangle(500.0, 400.0), (HELD,), (foot(400.0, 250.0, 200.0),),
          (Demand("deflection", 4.6, "foot"),)),
    panel("foot plate riveted all round", rectangle(360.0, 240.0), (RIVETED,), (foot(-883.0, 180.0, 120.0),),
          (Demand("deflection", 4.2, "foot"),)),
    panel("folded tray on four bolts", rectangle(420.0, 320.0), (
        Support("bolts", in_plane="held", diameter=6.0,
                at=((40.0, 60.0), (380.0, 60.0), (380.0, 260.0), (40.0, 260.0))),),
        (foot(-200.0, 210.0, 160.0, 80.0),), (Demand("deflection", 4.0, "foot"), Demand("frequency", 60.0)),
        folds=(Fold(((0.0, 30.0), (420.0, 30.0)), 90.0, 2.0), Fold(((0.0, 290.0), (420.0, 290.0)), 90.0, 2.0))),
    panel("curved side panel", CURVED, (
        edge((0.0, 0.0), (0.0, 320.0)), edge((0.0, 0.0), (480.0, 0.0)), edge((0.0, 320.0), (480.0, 320.0))),
        (foot(-40.0, 400.0, 160.0, 60.0),), (Demand("deflection", 2.5, "foot"), Demand("frequency", 40.0))),
    panel("floor 900 x 600", rectangle(900.0, 600.0), (HELD,), (foot(-600.0, 450.0, 300.0),),
          (Demand("deflection", 7.0, "foot"), Demand("frequency", 30.0))),
)  # fmt: skip
