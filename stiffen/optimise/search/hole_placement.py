"""Flared holes, last of all: mass out, as long as the judge says met."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.optimise.candidates.candidate_set import CandidateSet
from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.surrogate.stiffened_plate import stiffened_plate

from .state import SearchState

MAX_HOLE_ROUNDS = 6  # times the judge is asked about a batch of holes
REMOVED_HOLE_SHARE = 0.2  # share of the holes that goes, those nearest to where a push is too much
WORTHWHILE_MASS_RATIO = 0.99  # of the mass without: holes that leave more are not worth their minutes


def add_holes(state: SearchState, verdict: Verdict, candidates: CandidateSet) -> None:
    """Take mass out by flared holes as long as the judge says met, those first that cost least stiffness a gram."""
    stood = state.best_evaluation if state.best is verdict else None
    chosen = list(range(candidates.fixed_holes))
    blocked = candidates.hole_conflicts
    order = _hole_order(state.panel, verdict.layout, candidates)
    batch = _greedy_packing(order, blocked, chosen)
    for _ in range(MAX_HOLE_ROUNDS):
        if not batch or state.seconds_left <= 0:
            state.cut_short |= bool(batch)
            break
        state.report(f"{verdict.layout.gauge:g} mm: {len(chosen)} holes in, trying {len(batch)} more")
        layout = replace(verdict.layout, holes=tuple(candidates.holes[i] for i in sorted(chosen + batch)))
        if state.panel.mass(layout) > WORTHWHILE_MASS_RATIO * verdict.mass_kg:
            break
        found = state.evaluate(layout, abandon_above=1.0)
        if found.met:
            chosen += batch
            order = [i for i in order if i not in batch]
            batch = _greedy_packing(order, blocked, chosen)
        else:
            batch = _reduced_batch(batch, candidates, found)
    best = state.best
    if (
        best is not None
        and best.layout.beads == verdict.layout.beads
        and best.mass_kg > WORTHWHILE_MASS_RATIO * verdict.mass_kg
    ):
        state.accept(verdict, stood)


def _reduced_batch(batch: list[int], candidates: CandidateSet, verdict: Verdict) -> list[int]:
    """What is left of a batch of holes that was too much: those near a place too soft, else the second half."""
    worst = verdict.governing_demand
    at = worst.at if worst is not None and worst.kind == "softness" else None
    if at is None:
        return batch[: len(batch) // 2]
    gone = sorted(batch, key=lambda i: math.dist(candidates.holes[i].at, at))[
        : max(1, round(REMOVED_HOLE_SHARE * len(batch)))
    ]
    return [i for i in batch if i not in gone]


def _hole_order(panel: Panel, layout: Layout, candidates: CandidateSet) -> list[int]:
    """Hole candidates clear of the layout's beads; by the scout's loss in the worst demands for each gram saved."""
    n = len(layout.beads)
    clear = ~conflict_matrix(panel, layout.gauge, layout.beads, candidates.holes).toarray()[:n, n:].any(axis=0)
    clear[: candidates.fixed_holes] = False
    room = np.flatnonzero(clear)
    if not len(room):
        return []
    here = stiffened_plate(panel, layout.gauge, layout.beads, tuple(candidates.holes[i] for i in room))
    response = here.respond(tuple(range(len(layout.beads))))
    weights = {i: panel.demands[i].utilisation(value) ** 4 for i, value in response.values.items()}
    harm = -here.gains(response, weights)[len(layout.beads) :]
    saved = np.array([candidates.holes[i].die.pilot ** 2 for i in room])
    return [int(i) for i in room[np.argsort(harm / saved, kind="stable")]]


def _greedy_packing(order: list[int], conflicts: np.ndarray, chosen: list[int]) -> list[int]:
    """Greedily, candidates of `order` that clash neither with each other nor with those chosen."""
    out: list[int] = []
    taken = conflicts[chosen].any(axis=0) if chosen else np.zeros(len(conflicts), bool)
    for i in order:
        if not taken[i] and i not in chosen:
            out.append(i)
            taken = taken | conflicts[i]
    return out
