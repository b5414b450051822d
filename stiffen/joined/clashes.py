"""Parts that pass through each other: edges of one part's mesh that cross triangles of another's.  mm."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree

from .joined_model import JoinedModel
from .parts import ShellPart

# mm that an edge must reach past a triangle on both sides: round parts are meshed by flat facets, which cut into a
# neighbour that lies on them by less than a mm.
LEAST_DEPTH = 1.0


@dataclass(frozen=True)
class Clash:
    """Two parts that pass through each other.  at: where first found, (3,) mm in space."""

    parts: tuple[str, str]
    at: tuple[float, float, float]

    def __str__(self) -> str:
        place = ", ".join(f"{value:.0f}" for value in self.at)
        return f"{self.parts[0]} and {self.parts[1]} pass through each other near ({place}): move a place, or cut one"


def clashes(model: JoinedModel) -> tuple[Clash, ...]:
    """One clash for each pair of parts whose mid-surfaces cross by more than LEAST_DEPTH."""
    found = []
    for a, b in combinations(model.parts.values(), 2):
        low_a, high_a = a.shell.nodes.min(axis=0), a.shell.nodes.max(axis=0)
        low_b, high_b = b.shell.nodes.min(axis=0), b.shell.nodes.max(axis=0)
        if (low_a > high_b + LEAST_DEPTH).any() or (low_b > high_a + LEAST_DEPTH).any():
            continue
        at = _crossing(a, b)
        if at is None:
            at = _crossing(b, a)
        if at is not None:
            x, y, z = map(float, at)
            found.append(Clash((a.name, b.name), (x, y, z)))
    return tuple(found)


def _crossing(a: ShellPart, b: ShellPart) -> np.ndarray | None:
    """Where an edge of part a passes through a triangle of part b; None if none does."""
    edges = np.unique(np.sort(a.shell.triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1), axis=0)
    start, end = a.shell.nodes[edges[:, 0]], a.shell.nodes[edges[:, 1]]
    corners = b.shell.nodes[b.shell.triangles]
    centres = corners.mean(axis=1)
    reach = np.linalg.norm(end - start, axis=1) / 2
    radius = float(np.linalg.norm(corners - centres[:, None], axis=2).max())
    near = cKDTree(centres).query_ball_point((start + end) / 2, reach + radius)
    edge = np.repeat(np.arange(len(edges)), [len(one) for one in near])
    if not len(edge):
        return None
    triangle = np.concatenate([one for one in near if one]).astype(int)
    p, q, (c0, c1, c2) = start[edge], end[edge], np.moveaxis(corners[triangle], 1, 0)
    normal = np.cross(c1 - c0, c2 - c0)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    before, after = (np.einsum("ki,ki->k", end_ - c0, normal) for end_ in (p, q))
    through = (before * after < 0) & (np.minimum(np.abs(before), np.abs(after)) > LEAST_DEPTH)
    if not through.any():
        return None
    p, q, c0, c1, c2, normal, before, after = (one[through] for one in (p, q, c0, c1, c2, normal, before, after))
    at = p + (before / (before - after))[:, None] * (q - p)
    inside = np.ones(len(at), bool)
    for first, second in ((c0, c1), (c1, c2), (c2, c0)):
        inside &= np.einsum("ki,ki->k", np.cross(second - first, at - first), normal) >= 0
    return at[inside][0] if inside.any() else None
