"""Flared holes, last of all: mass out, as long as the judge says met."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.optimise.candidates.candidate_set import Pool
from stiffen.optimise.candidates.straight_beads import conflicts
from stiffen.surrogate.stiffened_plate import scout

from .state import Hunt

HOLE_ROUNDS = 6  # times the judge is asked about a batch of holes
NEAR = 0.2  # share of the holes that goes, those nearest to where a push is too much
WORTH = 0.99  # of the mass without: holes that leave more are not worth their minutes


def add_holes(hunt: Hunt, verdict: Verdict, pool: Pool) -> None:
    """Take mass out by flared holes as long as the judge says met, those first that cost least stiffness a gram."""
    stood = hunt.stood if hunt.best is verdict else None
    chosen = list(range(pool.fixed_holes))
    blocked = pool.blocked[len(pool.beads) :, len(pool.beads) :]
    order = _hole_order(hunt.panel, verdict.layout, pool)
    batch = _packed(order, blocked, chosen)
    for _ in range(HOLE_ROUNDS):
        if not batch or hunt.left <= 0:
            hunt.cut_short |= bool(batch)
            break
        hunt.tell(f"{verdict.layout.gauge:g} mm: {len(chosen)} holes in, trying {len(batch)} more")
        layout = replace(verdict.layout, holes=tuple(pool.holes[i] for i in sorted(chosen + batch)))
        if hunt.panel.mass(layout) > WORTH * verdict.mass_kg:
            break
        found = hunt.judge(layout, give_up=1.0)
        if found.met:
            chosen += batch
            order = [i for i in order if i not in batch]
            batch = _packed(order, blocked, chosen)
        else:
            batch = _fewer(batch, pool, found)
    best = hunt.best
    if best is not None and best.layout.beads == verdict.layout.beads and best.mass_kg > WORTH * verdict.mass_kg:
        hunt.take(verdict, stood)


def _fewer(batch: list[int], pool: Pool, found: Verdict) -> list[int]:
    """What is left of a batch of holes that was too much: those near a place too soft, else the second half."""
    worst = found.worst
    at = worst.at if worst is not None and worst.kind == "softness" else None
    if at is None:
        return batch[: len(batch) // 2]
    gone = sorted(batch, key=lambda i: math.dist(pool.holes[i].at, at))[: max(1, round(NEAR * len(batch)))]
    return [i for i in batch if i not in gone]


def _hole_order(panel: Panel, layout: Layout, pool: Pool) -> list[int]:
    """Hole candidates clear of the layout's beads; by the scout's loss in the worst demands for each gram saved."""
    n = len(layout.beads)
    clear = ~conflicts(panel, layout.gauge, layout.beads, pool.holes).toarray()[:n, n:].any(axis=0)
    clear[: pool.fixed_holes] = False
    room = np.flatnonzero(clear)
    if not len(room):
        return []
    here = scout(panel, layout.gauge, layout.beads, tuple(pool.holes[i] for i in room))
    response = here.respond(tuple(range(len(layout.beads))))
    weights = {i: panel.demands[i].badness(value) ** 4 for i, value in response.values.items()}
    harm = -here.gains(response, weights)[len(layout.beads) :]
    saved = np.array([pool.holes[i].die.pilot ** 2 for i in room])
    return [int(i) for i in room[np.argsort(harm / saved, kind="stable")]]


def _packed(order: list[int], blocked: np.ndarray, chosen: list[int]) -> list[int]:
    """Greedily, candidates of `order` that clash neither with each other nor with those chosen."""
    out: list[int] = []
    taken = blocked[chosen].any(axis=0) if chosen else np.zeros(len(blocked), bool)
    for i in order:
        if not taken[i] and i not in chosen:
            out.append(i)
            taken = taken | blocked[i]
    return out
