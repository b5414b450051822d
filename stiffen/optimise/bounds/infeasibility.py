"""A proof that no layout of the candidates meets the demands on the ribbed plate, and its audit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.sparse.linalg import spsolve

from stiffen.fem.linear import TONNES_PER_KG

from .cutting_planes import LIMIT_SLACK, Cut, CutGenerator
from .linear_program import LinearSolution, SelectionProblem

PROOF_TOLERANCE = 1e-6  # by how much a proof must clear nothing, as a fraction of a demand


@dataclass(frozen=True, eq=False)
class InfeasibilityCertificate:
    """A proof that no layout of a task meets the demands: cuts and clique rows with weights that contradict each other.

    Summed with weights y the cuts ask for more than any x can give that keeps the packing rows (weights mu).
    """

    cuts: tuple[Cut, ...]
    cut_weights: np.ndarray
    packing_weights: np.ndarray
    excess: float


def make_certificate(cuts: list[Cut], solution: LinearSolution) -> InfeasibilityCertificate:
    """The cuts of an elastic program of positive value, with their weights."""
    used = np.flatnonzero(solution.cut_weights > 0)
    return InfeasibilityCertificate(
        tuple(cuts[k] for k in used), solution.cut_weights[used], solution.packing_weights, solution.value
    )


def is_valid(proof: InfeasibilityCertificate, problem: SelectionProblem) -> bool:
    """True where a certificate stands when everything is worked out again another way."""
    return _excess(proof, problem) > PROOF_TOLERANCE / 2


def least_violation(proof: InfeasibilityCertificate, problem: SelectionProblem) -> float:
    """By how much every layout of the task misses the worst of its cuts at the least, audited; 0 where that fails.

    The weighted sum of what a layout misses is the excess or more, so the worst of it is at least the weighted mean.
    """
    return max(_excess(proof, problem), 0.0) / float(proof.cut_weights.sum()) if is_valid(proof, problem) else 0.0


def _excess(proof: InfeasibilityCertificate, problem: SelectionProblem) -> float:
    """What the cuts, weighted, ask for beyond what any x can give; minus infinity where a part of the proof is false.

    Each cut's numbers come from its field, the demand and the single matrices K_i and M_i, one by one; each clique is
    looked up in the conflicts, with the dies where it speaks of one; the sum is then bounded from above over all x.
    """
    program = problem.program
    if (proof.cut_weights < 0).any() or (proof.packing_weights < 0).any():
        return -math.inf
    if not all(_is_valid_row(problem, row) for row in np.flatnonzero(proof.packing_weights[:-2] > 0).tolist()):
        return -math.inf
    certain = set(np.flatnonzero(program.lower > 0).tolist())
    if not all(certain.issuperset(cut.certain) and cut.demand in problem.generator.limits for cut in proof.cuts):
        return -math.inf
    asked, given = 0.0, np.zeros(len(program.cost))
    for weight, cut in zip(proof.cut_weights, proof.cuts, strict=True):
        coefficients, least = recomputed_cut(cut, problem.generator)
        asked += weight * least
        given[: problem.n] += weight * coefficients
    rest = given - program.packing.T @ proof.packing_weights
    most = float(proof.packing_weights @ program.capacity) + float(
        np.maximum(rest * program.lower, rest * program.upper).sum()
    )
    return asked - most


def _is_valid_row(problem: SelectionProblem, row: int) -> bool:
    """True where at most one of the row's candidates can be in, and its die, if it has one, then is."""
    line = problem.program.packing[[row]]
    members = line.indices[line.indices < problem.n]
    blocked = problem.conflicts[members][:, members].toarray().astype(bool)
    if not (blocked | np.eye(len(members), dtype=bool)).all() or (line.data[line.indices < problem.n] != 1).any():
        return False
    die = line.indices[line.indices >= problem.n]
    if len(die) == 0:
        return bool(problem.program.capacity[row] == 1)
    return bool(problem.program.capacity[row] == 0 and len(die) == 1 and (problem.dies[members] == die[0]).all())


def recomputed_cut(cut: Cut, generator: CutGenerator) -> tuple[np.ndarray, float]:
    """Coefficients and least value of a cut, from its field alone, one candidate at a time; not as `cuts` does it."""
    surrogate, v = generator.surrogate, cut.field
    column = np.repeat(np.arange(len(v)), np.diff(surrogate.K0.indptr))
    rise = np.empty(len(surrogate.first_rows) - 1)
    for i in range(len(rise)):
        place, value = surrogate.stiffness_of(i)
        rise[i] = float(np.sum(value * v[surrogate.K0.indices[place]] * v[column[place]]))
    plain = float(np.sum(surrogate.K0.data * v[surrogate.K0.indices] * v[column]))
    kind = surrogate.panel.demands[cut.demand].kind
    if kind == "frequency":
        square = (2 * np.pi * generator.limits[cut.demand] * (1 - LIMIT_SLACK)) ** 2 * TONNES_PER_KG
        bare = surrogate.node_mass(())
        whole = square * float(v**2 @ bare)
        for i in np.flatnonzero(np.diff(surrogate.removed_shares.indptr)).tolist():
            rise[i] -= square * float(v**2 @ (surrogate.node_mass((i,)) - bare))
        return rise / whole, 1 - plain / whole
    force, allowed = _softness_terms(cut, generator) if kind == "softness" else _deflection_terms(cut, generator)
    return rise / allowed, (2 * float(v @ force) - plain) / allowed - 1


def _softness_terms(cut: Cut, generator: CutGenerator) -> tuple[np.ndarray, float]:
    demand = generator.surrogate.panel.demands[cut.demand]
    force = np.zeros(len(cut.field))
    force[generator.surrogate.probe_dofs[cut.column]] = demand.force
    return force, demand.force * generator.limits[cut.demand] * (1 + LIMIT_SLACK)


def _deflection_terms(cut: Cut, generator: CutGenerator) -> tuple[np.ndarray, float]:
    surrogate = generator.surrogate
    f = surrogate.forces[cut.demand][:, cut.column]
    g = np.zeros(len(f))
    g[surrogate.deflection_dofs] = (cut.force - f)[surrogate.deflection_dofs]
    rest = f - g
    spare = float(rest @ spsolve(surrogate.stiffness(cut.certain), rest)) if rest.any() else 0.0
    return f + g, 4 * generator.limits[cut.demand] * (1 + LIMIT_SLACK) * float(np.abs(g).sum()) + spare
