"""Placement of flared holes, the last step of a search: they save mass as long as the demands stay met."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from stiffen.model.layout import Layout
from stiffen.model.results import Verdict
from stiffen.optimise.candidates.candidate_set import CandidateSet
from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.surrogate.stiffened_plate import stiffened_plate

from .budget import Budget
from .state import SearchState


def add_holes(state: SearchState, budget: Budget, verdict: Verdict, candidates: CandidateSet) -> None:
    """Add flared holes to a layout in batches, those first that cost least stiffness for the mass they save.

    A batch that the shell model refuses is reduced.  Holes that save too little mass are given up again.
    """
    settings, incumbent = state.settings, state.incumbent
    evaluation = incumbent.evaluation if incumbent.verdict is verdict else None
    worthwhile_mass = settings.worthwhile_mass_ratio * verdict.mass_kg
    chosen = list(range(candidates.fixed_holes))
    order = _hole_order(state, verdict.layout, candidates)
    batch = _greedy_packing(order, candidates.hole_conflicts, chosen)
    for _ in range(settings.max_hole_rounds):
        if not batch or budget.is_spent:
            state.cut_short |= bool(batch)
            break
        gauge = verdict.layout.gauge
        state.report(f"{gauge:g} mm: {len(chosen)} flared holes placed, trying {len(batch)} more")
        layout = replace(verdict.layout, holes=tuple(candidates.holes[i] for i in sorted(chosen + batch)))
        if state.panel.mass(layout) > worthwhile_mass:
            break
        holed = state.evaluate(layout, abandon_above=1.0)
        if holed.met:
            chosen += batch
            order = [i for i in order if i not in batch]
            batch = _greedy_packing(order, candidates.hole_conflicts, chosen)
        else:
            batch = _reduced_batch(batch, candidates, holed, settings.removed_hole_share)
    best = incumbent.verdict
    if best is not None and best.layout.beads == verdict.layout.beads and best.mass_kg > worthwhile_mass:
        incumbent.accept(verdict, evaluation)


def _reduced_batch(batch: list[int], candidates: CandidateSet, verdict: Verdict, removed_share: float) -> list[int]:
    """A refused batch without the share of holes nearest to a place that is too soft; without its second half else."""
    governing = verdict.governing_demand
    soft_place = governing.at if governing is not None and governing.kind == "softness" else None
    if soft_place is None:
        return batch[: len(batch) // 2]
    nearest = sorted(batch, key=lambda i: math.dist(candidates.holes[i].at, soft_place))
    removed = nearest[: max(1, round(removed_share * len(batch)))]
    return [i for i in batch if i not in removed]


def _hole_order(state: SearchState, layout: Layout, candidates: CandidateSet) -> list[int]:
    """Hole candidates clear of a layout's beads, those first that cost least stiffness per gram."""
    panel, n = state.panel, len(layout.beads)
    clear = ~conflict_matrix(panel, layout.gauge, layout.beads, candidates.holes).toarray()[:n, n:].any(axis=0)
    clear[: candidates.fixed_holes] = False
    free = np.flatnonzero(clear)
    if not len(free):
        return []
    surrogate = stiffened_plate(panel, layout.gauge, layout.beads, tuple(candidates.holes[i] for i in free))
    response = surrogate.respond(tuple(range(n)))
    exponent = state.settings.hole_gain_exponent
    weights = {i: panel.demands[i].utilisation(value) ** exponent for i, value in response.values.items()}
    loss = -surrogate.gains(response, weights)[n:]
    saved = np.array([candidates.holes[i].die.pilot ** 2 for i in free])  # in proportion to the mass
    return [int(i) for i in free[np.argsort(loss / saved, kind="stable")]]


def _greedy_packing(order: list[int], conflicts: np.ndarray, chosen: list[int]) -> list[int]:
    """The candidates of `order`, first come first served, that conflict neither with each other nor with those chosen.

    conflicts: (candidates, candidates) bool.
    """
    packed: list[int] = []
    blocked = conflicts[chosen].any(axis=0) if chosen else np.zeros(len(conflicts), bool)
    for i in order:
        if not blocked[i] and i not in chosen:
            packed.append(i)
            blocked = blocked | conflicts[i]
    return packed
