"""Outlines that are hard to mesh, each with beads and holes on it."""

import math
from dataclasses import replace

import numpy as np

from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.panel import Cutout
from support.panels import B16, B20, F24, L50, V12, lid

SHOULDERED = replace(B20, name="F20", profile="flat", nose_radius=1.5, shoulder_radius=1.5, flank=50.0)


def ring(x, y, diameter, count=72):
    """Corners on a circle, as a reader would flatten it."""
    turn = 2 * np.pi * np.arange(count) / count
    return tuple(zip(x + diameter / 2 * np.cos(turn), y + diameter / 2 * np.sin(turn), strict=True))


def round_cutout(x, y, diameter):
    return Cutout(ring(x, y, diameter), (x, y, diameter))


def box(x0, y0, x1, y1):
    return ((x0, y0), (x1, y0), (x1, y1), (x0, y1))


def bead(*path, die=B16, side="up"):
    return Bead(die, tuple((float(x), float(y)) for x, y in path), side)


def star():
    radius = [160.0, 70.0] * 5
    return tuple((r * math.cos(k * math.pi / 5), r * math.sin(k * math.pi / 5)) for k, r in enumerate(radius))


def traced():
    """A wavy outline of 300 points as a tracer gives it: uneven, noisy, some points all but double."""
    chance = np.random.default_rng(3)
    turn = np.sort(chance.random(300) * 2 * np.pi)
    turn[1::30] = turn[0::30] + 1e-6
    radius = 160 + 12 * np.sin(5 * turn) + 6 * np.cos(9 * turn) + chance.normal(0, 0.01, 300)
    return tuple(zip(1.3 * radius * np.cos(turn), radius * np.sin(turn), strict=True))


def bitten():
    """A rectangle with a half-round bite out of its lower edge."""
    turn = np.linspace(np.pi, 0, 60)
    bite = zip(250 + 80 * np.cos(turn), 80 * np.sin(turn), strict=True)
    return ((0.0, 0.0), *bite, (500.0, 0.0), (500.0, 300.0), (0.0, 300.0))


def frame(x0, y0, x1, y1, radius, die=B16):
    """A closed bead: a rectangle with rounded or sharp corners."""
    corners = [(x1 - radius, y0 + radius), (x1 - radius, y1 - radius), (x0 + radius, y1 - radius)]
    corners.append((x0 + radius, y0 + radius))
    turns = np.linspace(0, np.pi / 2, 10) if radius else [0.0]
    path = [
        (x + radius * math.cos(a + (k - 1) * np.pi / 2), y + radius * math.sin(a + (k - 1) * np.pi / 2))
        for k, (x, y) in enumerate(corners)
        for a in turns
    ]
    return Bead(die, (*path, path[0]))


def sheet(outline, *beads, cutouts=(), holes=()):
    """A panel of an outline, and a layout on it."""
    outline = tuple((float(x), float(y)) for x, y in outline)
    return lid(outline=outline, cutouts=tuple(cutouts)), Layout(1.0, beads, tuple(holes))


SHAPES = {
    "rectangle": sheet(box(0, 0, 500, 400), bead((40, 60), (460, 130)), bead((60, 340), (420, 200), die=F24)),
    "L": sheet(
        [(0, 0), (400, 0), (400, 150), (150, 150), (150, 400), (0, 400)],
        bead((40, 40), (110, 360)),
        bead((180, 40), (370, 110), die=SHOULDERED, side="down"),
    ),
    "U": sheet(
        [(0, 0), (400, 0), (400, 300), (300, 300), (300, 100), (100, 100), (100, 300), (0, 300)],
        bead((50, 50), (350, 50)),
        bead((50, 90), (50, 270), die=V12),
    ),
    "T": sheet(
        [(0, 0), (100, 0), (100, 200), (250, 200), (250, 300), (-150, 300), (-150, 200), (0, 200)],
        bead((50, 30), (50, 180)),
        bead((-120, 250), (220, 250), die=B20),
    ),
    "star": sheet(star(), bead((-50, -20), (50, 20))),
    "annulus": sheet(
        ring(0, 0, 400, 180),
        Bead(B16, (*ring(0, 0, 240, 90), ring(0, 0, 240, 90)[0])),
        cutouts=[round_cutout(0, 0, 60)],
    ),
    "strip 1:20": sheet(box(0, 0, 1000, 50), bead((40, 25), (960, 25))),
    "slot by a hole": sheet(
        box(0, 0, 300, 200),
        bead((40, 40), (260, 60)),
        cutouts=[Cutout(box(120.0, 115.5, 180.0, 120.5)), round_cutout(150.0, 100.0, 30.0)],
    ),
    "40 holes": sheet(
        box(0, 0, 500, 400),
        bead((30, 85), (470, 85)),
        cutouts=[round_cutout(50.0 + 57 * i, 50.0 + 75 * j, 20.0) for i in range(8) for j in range(5)],
    ),
    "traced": sheet(traced(), bead((-100, -50), (100, 60))),
    "bitten": sheet(bitten(), bead((40, 220), (460, 180))),
    "two dies and flared holes": sheet(
        box(0, 0, 500, 400),
        bead((60, 60), (440, 110)),
        bead((60, 340), (440, 300), die=SHOULDERED, side="down"),
        holes=[Hole(L50, (90.0 + 80 * i, 200.0), "up" if i % 2 else "down") for i in range(5)],
    ),
    "frames": sheet(box(0, 0, 500, 400), frame(60, 60, 440, 340, 70), frame(150, 120, 350, 280, 0, F24)),
    "bent beads": sheet(
        box(0, 0, 500, 400),
        bead((60, 60), (200, 120), (260, 340), die=SHOULDERED),
        bead((300, 60), (420, 90), (330, 180), (440, 300)),
    ),
    "beads off the edge": sheet(
        box(0, 0, 500, 400),
        bead((-30, 100), (530, 160)),
        bead((100, 250), (500, 250), die=F24),
        bead((300, 300), (360, 430)),
    ),
}
