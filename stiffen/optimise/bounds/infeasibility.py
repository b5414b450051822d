"""A proof that no layout of the candidates meets the demands on the ribbed plate, and its audit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.sparse.linalg import spsolve

from stiffen.fem.shell import TONNE

from .cutting_planes import SLACK, Cut, Cutter
from .linear_program import Solved, Task

CERTAIN = 1e-6  # by how much a proof must clear nothing, as a fraction of a demand


@dataclass(frozen=True, eq=False)
class Certificate:
    """A proof that no layout of a task meets the demands: cuts and clique rows with weights that contradict each other.

    Summed with weights y the cuts ask for more than any x can give that keeps the packing rows (weights mu).
    """

    cuts: tuple[Cut, ...]
    y: np.ndarray
    mu: np.ndarray
    excess: float


def certificate(cuts: list[Cut], solved: Solved) -> Certificate:
    """The cuts of an elastic program of positive value, with their weights."""
    used = np.flatnonzero(solved.y > 0)
    return Certificate(tuple(cuts[k] for k in used), solved.y[used], solved.mu, solved.value)


def holds(proof: Certificate, job: Task) -> bool:
    """True where a certificate stands when everything is worked out again another way."""
    return _excess(proof, job) > CERTAIN / 2


def shortfall(proof: Certificate, job: Task) -> float:
    """By how much every layout of the task misses the worst of its cuts at the least, audited; 0 where that fails.

    The weighted sum of what a layout misses is the excess or more, so the worst of it is at least the weighted mean.
    """
    return max(_excess(proof, job), 0.0) / float(proof.y.sum()) if holds(proof, job) else 0.0


def _excess(proof: Certificate, job: Task) -> float:
    """What the cuts, weighted, ask for beyond what any x can give; minus infinity where a part of the proof is false.

    Each cut's numbers come from its field, the demand and the single matrices K_i and M_i, one by one; each clique is
    looked up in the conflicts, with the dies where it speaks of one; the sum is then bounded from above over all x.
    """
    program = job.program
    if (proof.y < 0).any() or (proof.mu < 0).any():
        return -math.inf
    if not all(_true_row(job, row) for row in np.flatnonzero(proof.mu[:-2] > 0).tolist()):
        return -math.inf
    certain = set(np.flatnonzero(program.lower > 0).tolist())
    if not all(certain.issuperset(cut.low) and cut.demand in job.cutter.limits for cut in proof.cuts):
        return -math.inf
    asked, given = 0.0, np.zeros(len(program.cost))
    for weight, cut in zip(proof.y, proof.cuts, strict=True):
        coefficients, least = recomputed(cut, job.cutter)
        asked += weight * least
        given[: job.n] += weight * coefficients
    rest = given - program.packing.T @ proof.mu
    most = float(proof.mu @ program.room) + float(np.maximum(rest * program.lower, rest * program.upper).sum())
    return asked - most


def _true_row(job: Task, row: int) -> bool:
    """True where at most one of the row's candidates can be in, and its die, if it has one, then is."""
    line = job.program.packing[[row]]
    members = line.indices[line.indices < job.n]
    blocked = job.conflicts[members][:, members].toarray().astype(bool)
    if not (blocked | np.eye(len(members), dtype=bool)).all() or (line.data[line.indices < job.n] != 1).any():
        return False
    die = line.indices[line.indices >= job.n]
    if len(die) == 0:
        return bool(job.program.room[row] == 1)
    return bool(job.program.room[row] == 0 and len(die) == 1 and (job.dies[members] == die[0]).all())


def recomputed(cut: Cut, cutter: Cutter) -> tuple[np.ndarray, float]:
    """Coefficients and least value of a cut, from its field alone, one candidate at a time; not as `cuts` does it."""
    scout, v = cutter.scout, cut.v
    column = np.repeat(np.arange(len(v)), np.diff(scout.K0.indptr))
    rise = np.empty(len(scout.starts) - 1)
    for i in range(len(rise)):
        place, value = scout.part(i)
        rise[i] = float(np.sum(value * v[scout.K0.indices[place]] * v[column[place]]))
    plain = float(np.sum(scout.K0.data * v[scout.K0.indices] * v[column]))
    kind = scout.panel.demands[cut.demand].kind
    if kind == "frequency":
        square = (2 * np.pi * cutter.limits[cut.demand] * (1 - SLACK)) ** 2 * TONNE
        bare = scout.node_mass(())
        whole = square * float(v**2 @ bare)
        for i in np.flatnonzero(np.diff(scout.removed.indptr)).tolist():
            rise[i] -= square * float(v**2 @ (scout.node_mass((i,)) - bare))
        return rise / whole, 1 - plain / whole
    force, allowed = _softness(cut, cutter) if kind == "softness" else _deflection(cut, cutter)
    return rise / allowed, (2 * float(v @ force) - plain) / allowed - 1


def _softness(cut: Cut, cutter: Cutter) -> tuple[np.ndarray, float]:
    demand = cutter.scout.panel.demands[cut.demand]
    force = np.zeros(len(cut.v))
    force[cutter.scout.pushes[cut.column]] = demand.force
    return force, demand.force * cutter.limits[cut.demand] * (1 + SLACK)


def _deflection(cut: Cut, cutter: Cutter) -> tuple[np.ndarray, float]:
    scout = cutter.scout
    f = scout.forces[cut.demand][:, cut.column]
    g = np.zeros(len(f))
    g[scout.deflections] = (cut.force - f)[scout.deflections]
    rest = f - g
    spare = float(rest @ spsolve(scout.stiffness(cut.low), rest)) if rest.any() else 0.0
    return f + g, 4 * cutter.limits[cut.demand] * (1 + SLACK) * float(np.abs(g).sum()) + spare
