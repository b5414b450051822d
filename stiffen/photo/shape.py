"""What a photo tells of a template: the record that the other modules fill and write."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .curves import Piece
from .scene.bundle import Scene


@dataclass(frozen=True)
class RoundHole:
    """A punched hole.  at: mm; diameter: mm."""

    at: tuple[float, float]
    diameter: float


@dataclass(frozen=True)
class Measured:
    """What was measured by hand, mm.  across, along: the two lengths on a printed page; longest: the greatest distance
    between two points of the template's edge; thickness: of the template.
    """

    across: float
    along: float
    longest: float
    thickness: float


@dataclass(frozen=True)
class TemplateShape:
    """Outline and what is on it, mm, in the frame of the panel: the longest line lies along x, all is at x, y >= 0.

    edge: (n, 2) measured points of the edge.  scatter: mm, of the edge about its lines and arcs, root mean square.
    error: mm, within which 95 % of the outline's points are expected; error_parts: what it comes from.
    to_table: (2, 3) from the panel's frame to that of the scene.
    """

    pieces: tuple[Piece, ...]
    holes: tuple[RoundHole, ...]
    cutouts: tuple[tuple[tuple[float, float], ...], ...]
    folds: tuple[tuple[tuple[float, float], tuple[float, float]], ...]
    keep_outs: tuple[tuple[tuple[float, float], ...], ...]
    edge: np.ndarray
    scatter: float
    error: float
    error_parts: dict[str, float]
    longest_in_photo: float
    scene: Scene
    thickness: float
    to_table: np.ndarray
    remarks: tuple[str, ...] = field(default=())
