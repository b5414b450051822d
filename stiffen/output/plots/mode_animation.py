"""Animated GIF of the first vibration mode."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

import numpy as np

from stiffen.io.files import atomic_write
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict

from .style import COLOUR_SCALE, FONT_SIZE, LINE_COLOUR

FRAMES_PER_CYCLE = 16
FRAME_MS = 60
AMPLITUDE_SHARE = 0.12  # drawn amplitude over the longer side of the sheet
DPI = 100
GIF_COLOURS = 64
LIGHT_DIRECTION = np.array([-0.35, -0.45, 0.82])
VIEW_AZIMUTH, VIEW_ELEVATION = np.radians(-28.0), np.radians(38.0)  # rad, of the viewer


def animate_mode(panel: Panel, verdict: Verdict, path: str | Path) -> None:
    """Animated GIF of the first mode in an oblique view, its amplitude exaggerated.

    Raises ValueError for a verdict without a mode, InputError if the file cannot be written.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from PIL import Image

    if verdict.fields is None or not verdict.fields.modes:
        raise ValueError("the verdict has no mode: evaluate it with fields=True")
    hertz, shape = verdict.fields.modes[0]
    plan = verdict.fields.plan_nodes - verdict.fields.plan_nodes.mean(axis=0)
    amplitude = AMPLITUDE_SHARE * np.ptp(plan, axis=0).max()
    extremes = np.vstack(
        [
            _project(np.column_stack([plan, verdict.fields.heights + sign * amplitude * np.abs(shape)]))[:, :2]
            for sign in (-1, 1)
        ]
    )
    title = f"{textwrap.shorten(panel.name, 40, placeholder='..')}: first mode, {hertz:.1f} Hz"
    images = []
    for step in range(FRAMES_PER_CYCLE):
        factor = amplitude * np.sin(2 * np.pi * step / FRAMES_PER_CYCLE)
        nodes = np.column_stack([plan, verdict.fields.heights + factor * shape])
        figure = Figure(figsize=(6.0, 4.4), facecolor="white", dpi=DPI)
        style = {"ha": "center", "va": "center", "fontsize": FONT_SIZE, "color": LINE_COLOUR, "parse_math": False}
        figure.text(0.5, 0.95, title, **style)
        figure.text(0.5, 0.05, "slowed down, amplitude exaggerated", **style)
        axis = figure.add_axes((0.02, 0.08, 0.96, 0.84))
        _draw_surface(axis, nodes, verdict.fields.triangles)
        (left, bottom), (right, top) = extremes.min(axis=0), extremes.max(axis=0)
        axis.set(xlim=(left, right), ylim=(bottom, top))
        axis.set_aspect("equal")
        axis.set_axis_off()
        surface = FigureCanvasAgg(figure)
        surface.draw()
        images.append(Image.fromarray(np.asarray(surface.buffer_rgba())[..., :3].copy()))
    palette = images[FRAMES_PER_CYCLE // 4].quantize(GIF_COLOURS)
    first, *rest = (image.quantize(palette=palette, dither=Image.Dither.NONE) for image in images)
    with atomic_write(path) as fresh:
        first.save(fresh, format="GIF", save_all=True, append_images=rest, duration=FRAME_MS, loop=0)


def _project(nodes: np.ndarray) -> np.ndarray:
    """(n, 3) coordinates to the right, up and toward the viewer of nodes (n, 3) at x, y, z."""
    x, y, z = nodes.T
    right, back = (
        x * np.cos(VIEW_AZIMUTH) - y * np.sin(VIEW_AZIMUTH),
        x * np.sin(VIEW_AZIMUTH) + y * np.cos(VIEW_AZIMUTH),
    )
    up, near = (
        back * np.sin(VIEW_ELEVATION) + z * np.cos(VIEW_ELEVATION),
        z * np.sin(VIEW_ELEVATION) - back * np.cos(VIEW_ELEVATION),
    )
    return np.column_stack([right, up, near])


def _draw_surface(axis: Any, nodes: np.ndarray, triangles: np.ndarray) -> None:
    """Draw triangles from back to front, shaded by their angle to the light.  nodes: (n, 3); triangles: (m, 3)."""
    from matplotlib.collections import PolyCollection
    from matplotlib.colors import LinearSegmentedColormap

    a, b, c = nodes[triangles].transpose(1, 0, 2)
    normal = np.cross(b - a, c - a)
    facing = np.abs(normal @ LIGHT_DIRECTION) / np.linalg.norm(normal, axis=1) / np.linalg.norm(LIGHT_DIRECTION)
    corners = _project(nodes)[triangles]
    order = corners[:, :, 2].mean(axis=1).argsort()
    shades = LinearSegmentedColormap.from_list("metal", COLOUR_SCALE[::-1])(
        0.1 + 0.8 * np.clip(2.2 * facing - 1.2, 0, 1)
    )
    axis.add_collection(
        PolyCollection(corners[order, :, :2], facecolors=shades[order], edgecolors=shades[order], linewidths=0.3)
    )
