"""The first mode in motion: an animated GIF."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import numpy as np

from stiffen.io.files import written
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict

from .style import INK, LETTERS, SCALE

FRAMES = 16  # of one swing
FRAME_MS = 60
SWING = 0.12  # of the longer side, for the eye only
DPI = 100
COLOURS = 64
LIGHT = np.array([-0.35, -0.45, 0.82])
TURN, TILT = np.radians(-28.0), np.radians(38.0)  # of the eye: round the upright, and above the sheet


def mode_motion(panel: Panel, verdict: Verdict, path: str | Path) -> None:
    """GIF of the first mode, seen from above and aside, its swing drawn far larger than life.

    Raises ValueError for a verdict without a mode, InputError where the place cannot be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from PIL import Image

    if verdict.maps is None or not verdict.maps.modes:
        raise ValueError("the verdict has no mode: judge it with maps=True")
    hertz, shape = verdict.maps.modes[0]
    plan = verdict.maps.plan - verdict.maps.plan.mean(axis=0)
    high = SWING * np.ptp(plan, axis=0).max()
    reach = np.vstack(
        [_seen(np.column_stack([plan, verdict.maps.z + way * high * np.abs(shape)]))[:, :2] for way in (-1, 1)]
    )
    title = f"{textwrap.shorten(panel.name, 40, placeholder='..')}: first mode, {hertz:.1f} Hz"
    images = []
    for step in range(FRAMES):
        nodes = np.column_stack([plan, verdict.maps.z + high * np.sin(2 * np.pi * step / FRAMES) * shape])
        figure = Figure(figsize=(6.0, 4.4), facecolor="white", dpi=DPI)
        for level, words in ((0.95, title), (0.05, "slowed down, and far larger than life")):
            figure.text(0.5, level, words, ha="center", va="center", fontsize=LETTERS, color=INK, parse_math=False)
        axis = figure.add_axes((0.02, 0.08, 0.96, 0.84))
        _draw(axis, nodes, verdict.maps.triangles)
        axis.set(xlim=(reach[:, 0].min(), reach[:, 0].max()), ylim=(reach[:, 1].min(), reach[:, 1].max()))
        axis.set_aspect("equal")
        axis.set_axis_off()
        surface = FigureCanvasAgg(figure)
        surface.draw()
        images.append(Image.fromarray(np.asarray(surface.buffer_rgba())[..., :3].copy()))
    shared = images[FRAMES // 4].quantize(COLOURS)
    first, *rest = (image.quantize(palette=shared, dither=Image.Dither.NONE) for image in images)
    with written(path) as fresh:
        first.save(fresh, format="GIF", save_all=True, append_images=rest, duration=FRAME_MS, loop=0)


def _seen(nodes: np.ndarray) -> np.ndarray:
    """(n, 3) right, up and toward the eye, from plan x, y and z."""
    x, y, z = nodes.T
    right, back = x * np.cos(TURN) - y * np.sin(TURN), x * np.sin(TURN) + y * np.cos(TURN)
    up, near = back * np.sin(TILT) + z * np.cos(TILT), z * np.sin(TILT) - back * np.cos(TILT)
    return np.column_stack([right, up, near])


def _draw(axis: Any, nodes: np.ndarray, triangles: np.ndarray) -> None:
    """Triangles from the back to the front, shaded by how they face the light."""
    from matplotlib.collections import PolyCollection
    from matplotlib.colors import LinearSegmentedColormap

    a, b, c = nodes[triangles].transpose(1, 0, 2)
    normal = np.cross(b - a, c - a)
    facing = np.abs(normal @ LIGHT) / np.linalg.norm(normal, axis=1) / np.linalg.norm(LIGHT)
    seen = _seen(nodes)[triangles]
    order = seen[:, :, 2].mean(axis=1).argsort()
    shades = LinearSegmentedColormap.from_list("metal", SCALE[::-1])(0.1 + 0.8 * np.clip(2.2 * facing - 1.2, 0, 1))
    axis.add_collection(
        PolyCollection(seen[order, :, :2], facecolors=shades[order], edgecolors=shades[order], linewidths=0.3)
    )
