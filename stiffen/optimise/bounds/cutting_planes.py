"""Linear inequalities in the 0/1 choice that every layout which meets a demand must keep, on the ribbed plate.

K(x) = K0 + sum x_i K_i is positive definite for every layout x that can be made.  So for any force r and any field v

    r^T K(x)^-1 r >= 2 v^T r - v^T K(x) v                                                                    (1)

with equality at v = K(x)^-1 r, and a demand that says r^T K(x)^-1 r <= c gives the cut

    sum x_i v^T K_i v >= 2 v^T r - c - v^T K0 v.                                                             (2)

softness    r = F e_p for each push point p, c = F limit: exact, no better cut exists.
frequency   v^T (K(x) - w^2 M(x)) v >= 0 for any shape v, w = 2 pi limit: exact.
deflection  |u| <= limit at every node, u = K(x)^-1 f, says g^T K(x)^-1 f <= limit |g|_1 for any weights g on the
            deflections.  With the parallelogram law and K(x) >= K_low (the beads that are in for certain)

                4 g^T K^-1 f = (f+g)^T K^-1 (f+g) - (f-g)^T K^-1 (f-g),    K^-1 <= K_low^-1

            so r = f + g, c = 4 limit |g|_1 + (f-g)^T K_low^-1 (f-g).  Exact where g ~ f or K(x) = K_low, a valid
            relaxation elsewhere, and the g that says most is looked for.  Holes take stiffness away, so that K_low is
            not known beside them: there only g ~ f is used.

Every inequality holds for demands loosened by the fraction SLACK, which covers round-off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from scipy.sparse.linalg import LinearOperator, eigsh

from stiffen.fem.linear import TONNES_PER_KG
from stiffen.fem.sparse_lu import spd_solver
from stiffen.surrogate.stiffened_plate import SUM_AT_ONCE_ABOVE, StiffenedPlate

SURROGATE_DEMANDS = ("deflection", "softness", "frequency")  # demands that the ribbed plate answers
LIMIT_SLACK = 1e-6  # fraction by which cuts loosen a demand
MAX_CUT_POINTS = 4  # push points, and load places, cut at each time
CUT_MODES = 3
NEAR_LIMIT_MARGIN = 0.1  # demands kept with less than this margin are cut too, which steadies the bound
SAME_CUT_CORRELATION = 0.9  # correlation of two push points' compliances from which one cut serves both
MAX_WEIGHTED_NODES = 10  # nodes that may carry the weights g of a deflection cut
WEIGHTED_NODE_SPACING = 0.08  # least distance of these nodes, as a fraction of the panel's diagonal
DINKELBACH_ROUNDS = 4  # of the iteration for the best g


@dataclass(frozen=True, eq=False)
class Cut:
    """coefficients . x >= lower_limit for every layout that meets `demand`, scaled so that c (or w^2 v^T M0 v) is 1.

    x begins with the candidates; what follows (`CutGenerator.extra_columns`) has coefficients 0.

    field: (free,) v of (2).  force: (free,) r of (1), zeros for a frequency.  column: push point (place in
    `StiffenedPlate.probe_dofs`) or load place that it belongs to, -1 for a frequency.  certain: candidates that every
    layout in question holds.
    """

    demand: int
    field: np.ndarray
    force: np.ndarray
    column: int
    certain: tuple[int, ...]
    coefficients: np.ndarray
    lower_limit: float

    def violation(self, x: np.ndarray) -> float:
        """By how much x (candidates,) breaks the cut; utilisation - 1 of a demand where the cut was made at x."""
        return self.lower_limit - float(self.coefficients @ x)


@dataclass(frozen=True, eq=False)
class GuaranteedStiffness:
    """K_low, the stiffness with the candidates that every layout in question holds, factorised.

    solve: b -> K_low^-1 b.  load_fields: demand -> K_low^-1 f; empty if there are holes among the candidates, where
    only g ~ f may be used.
    """

    candidates: tuple[int, ...]
    solve: Callable[[np.ndarray], np.ndarray]
    load_fields: dict[int, np.ndarray]


def surrogate_limits(
    surrogate: StiffenedPlate, utilisation: float = 1.0, calibration: dict[int, float] | None = None
) -> dict[int, float]:
    """Demand index -> value on the surrogate at which the demand counts as met, for the demands that it knows.

    utilisation: asked for.  calibration: demand index -> value of the shell model over that of the surrogate.
    """
    limits = {}
    for i, demand in enumerate(surrogate.panel.demands):
        if demand.kind in SURROGATE_DEMANDS:
            much = utilisation if demand.at_most else 1 / utilisation
            limits[i] = demand.limit * much / (calibration or {}).get(i, 1.0)
    return limits


@dataclass(frozen=True, eq=False)
class CutGenerator:
    """Makes cuts for the surrogate's candidates at any fractional choice.

    limits: demand index -> value, see `surrogate_limits`.  extra_columns: places in x after the candidates, which add
    no stiffness.
    """

    surrogate: StiffenedPlate
    limits: dict[int, float]
    extra_columns: int = 0

    @property
    def size(self) -> int:
        """Number of candidates."""
        return len(self.surrogate.first_rows) - 1

    @cached_property
    def has_holes(self) -> bool:
        """True where some candidates take stiffness away."""
        return bool(self.surrogate.removed_shares.nnz or (self.surrogate.weights < 0).any())

    @cached_property
    def masses(self) -> tuple[np.ndarray, sp.csr_matrix]:
        """M0 (free,), and what each candidate adds (candidates, free), consistent units."""
        plain = self.surrogate.node_mass(())
        rows = [sp.csr_matrix((1, len(plain)))] * self.size
        for i in np.flatnonzero(np.diff(self.surrogate.removed_shares.indptr)):
            rows[i] = sp.csr_matrix(self.surrogate.node_mass((int(i),)) - plain)
        added = sp.vstack(rows).tocsr() if rows else sp.csr_matrix((0, len(plain)))
        return plain * TONNES_PER_KG, added * TONNES_PER_KG

    def stiffness(self, x: np.ndarray) -> sp.csc_matrix:
        """K(x) for x in [0, 1]; holes that overlap are shrunk until no sheet is taken away twice.

        Blends that the linear program makes hold few candidates: those are summed one by one, crowds in one product.
        """
        K0, share = self.surrogate.K0, self._scaled_shares(x)
        used = np.flatnonzero(share)
        if len(used) > SUM_AT_ONCE_ABOVE and not self.has_holes:
            R = self.surrogate.curvature_rows
            weights = self.surrogate.weights * np.repeat(share, np.diff(self.surrogate.first_rows))
            return (K0 + R.T @ sp.diags(weights) @ R).tocsc()
        data = K0.data.copy()
        for i in used.tolist():
            place, value = self.surrogate.stiffness_of(i)
            np.add.at(data, place, share[i] * value)
        return sp.csc_matrix((data, K0.indices, K0.indptr), shape=K0.shape)

    def _scaled_shares(self, x: np.ndarray) -> np.ndarray:
        """x of the candidates, its holes scaled so that nowhere more than all of the sheet is removed."""
        x = x[: self.size]
        if not self.has_holes:
            return x
        most = float((x @ self.surrogate.removed_shares).max())
        holes = np.diff(self.surrogate.removed_shares.indptr) > 0
        return np.where(holes, x / max(most, 1.0), x)

    def guaranteed_stiffness(self, candidates: tuple[int, ...] = ()) -> GuaranteedStiffness:
        """K_low of the candidates in `candidates`."""
        if self.has_holes or not any(self.surrogate.panel.demands[i].kind == "deflection" for i in self.limits):
            return GuaranteedStiffness(candidates, lambda b: b, {})
        solve = spd_solver(self.surrogate.stiffness(candidates), ordered=True)
        return GuaranteedStiffness(
            candidates, solve, {i: solve(self.surrogate.forces[i]) for i in self.surrogate.forces if i in self.limits}
        )

    def cuts(self, x: np.ndarray, guaranteed: GuaranteedStiffness) -> list[Cut]:
        """Cuts at x, those that x breaks most for each demand; none where x keeps all demands."""
        K = self.stiffness(x)
        solve = spd_solver(K, ordered=True)
        found: list[Cut] = []
        pushed: tuple[np.ndarray, np.ndarray] | None = None
        for i in self.limits:
            kind = self.surrogate.panel.demands[i].kind
            if kind == "softness":
                if pushed is None:
                    pushed = self._probe_fields(solve)
                found += self._softness_cuts(i, *pushed)
            elif kind == "frequency":
                found += self._frequency_cuts(i, x, K, solve)
            else:
                found += self._deflection_cuts(i, solve, guaranteed)
        return found

    def compliance_cut(
        self, demand: int, field: np.ndarray, force: np.ndarray, allowed: float, column: int, certain: tuple
    ) -> Cut:
        """Cut (2): force^T K^-1 force <= allowed, made with the field v, scaled by `allowed`."""
        least = float(2 * field @ force - allowed - field @ (self.surrogate.K0 @ field))
        return Cut(
            demand,
            field,
            force,
            column,
            certain,
            self._padded(self.surrogate.energies(field, field) / allowed),
            least / allowed,
        )

    def _padded(self, coefficients: np.ndarray) -> np.ndarray:
        return np.append(coefficients, np.zeros(self.extra_columns))

    # --------------------------------------------------------------------------------------------- demand by demand

    def _probe_fields(self, solve: Callable[[np.ndarray], np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
        """Fields (free, p) under 1 N at each push point, and its own deflection there (p,)."""
        points = self.surrogate.probe_dofs
        unit = np.zeros((self.surrogate.K0.shape[0], len(points)))
        unit[points, np.arange(len(points))] = 1.0
        u = solve(unit)
        return u, u[points, np.arange(len(points))]

    def _softness_cuts(self, i: int, u: np.ndarray, own: np.ndarray) -> list[Cut]:
        force, limit = self.surrogate.panel.demands[i].force, self.limits[i] * (1 + LIMIT_SLACK)
        points = self.surrogate.probe_dofs
        picked: list[int] = []
        for p in np.argsort(-own, kind="stable"):
            if force * own[p] <= limit * (1 - NEAR_LIMIT_MARGIN) or len(picked) == MAX_CUT_POINTS:
                break
            if all(abs(u[points[q], p]) < SAME_CUT_CORRELATION * np.sqrt(own[p] * own[q]) for q in picked):
                picked.append(p)
        cuts = []
        for p in picked:
            push = np.zeros(len(u))
            push[points[p]] = force
            cuts.append(self.compliance_cut(i, force * u[:, p], push, force * limit, int(p), ()))
        return cuts

    def _frequency_cuts(
        self, i: int, x: np.ndarray, K: sp.csc_matrix, solve: Callable[[np.ndarray], np.ndarray]
    ) -> list[Cut]:
        square = (2 * np.pi * self.limits[i] * (1 - LIMIT_SLACK)) ** 2
        plain, added = self.masses
        M = sp.diags(plain + added.T @ self._scaled_shares(x)).tocsc()
        inverse = LinearOperator(K.shape, matvec=solve, dtype=float)
        few = min(CUT_MODES, K.shape[0] - 1)
        values, shapes = eigsh(K, k=few, M=M, sigma=0.0, OPinv=inverse, v0=np.ones(K.shape[0]), tol=1e-4)
        return [
            self.mode_cut(i, v, square)
            for value, v in zip(values, shapes.T, strict=True)
            if value < square * (1 + NEAR_LIMIT_MARGIN)
        ]

    def mode_cut(self, i: int, shape: np.ndarray, square: float) -> Cut:
        """v^T (K(x) - square M(x)) v >= 0, scaled by square v^T M0 v."""
        plain, added = self.masses
        whole = square * float(shape**2 @ plain)
        rise = self.surrogate.energies(shape, shape) - square * (added @ shape**2)
        least = (whole - shape @ (self.surrogate.K0 @ shape)) / whole
        return Cut(i, shape, np.zeros(len(shape)), -1, (), self._padded(rise / whole), float(least))

    def _deflection_cuts(
        self, i: int, solve: Callable[[np.ndarray], np.ndarray], guaranteed: GuaranteedStiffness
    ) -> list[Cut]:
        f = self.surrogate.forces[i]
        u = solve(f)
        worst = np.abs(u[self.surrogate.deflection_dofs]).max(axis=0)
        limit = self.limits[i] * (1 + LIMIT_SLACK)
        columns = [
            c for c in np.argsort(-worst, kind="stable")[:MAX_CUT_POINTS] if worst[c] > limit * (1 - NEAR_LIMIT_MARGIN)
        ]
        found = []
        for c in columns:
            low = guaranteed.load_fields[i][:, c] if guaranteed.load_fields else None
            g = self._deflection_weights(f[:, c], u[:, c], low, limit, solve, guaranteed)
            rest, force = f[:, c] - g, f[:, c] + g
            if low is None and rest.any():
                continue
            allowed = 4 * limit * float(np.abs(g).sum()) + (
                0.0 if low is None else float(rest @ guaranteed.solve(rest))
            )
            found.append(self.compliance_cut(i, solve(force), force, allowed, int(c), guaranteed.candidates))
        return found

    def _deflection_weights(
        self,
        f: np.ndarray,
        u: np.ndarray,
        low: np.ndarray | None,
        limit: float,
        solve: Callable[[np.ndarray], np.ndarray],
        guaranteed: GuaranteedStiffness,
    ) -> np.ndarray:
        """g (free,) for which (f+g)^T A (f+g) / (4 limit |g|_1 + (f-g)^T B (f-g)) is large, A = K(x)^-1, B = K_low^-1.

        g is a sum with weights s >= 0 of f and of the deflections of a few nodes, each toward its sag under f.  The
        ratio is raised by Dinkelbach's iteration: the numerator less ratio times denominator is concave in s.
        """
        only = np.zeros(len(f))
        only[self.surrogate.deflection_dofs] = f[self.surrogate.deflection_dofs]
        if low is None:
            return only
        G = np.column_stack([only, self._unit_deflections(u)])
        size = np.abs(G).sum(axis=0)
        AG, BG = solve(G), guaranteed.solve(G)
        GA, GB = G.T @ AG, G.T @ BG
        fA, fB = G.T @ u, G.T @ low  # G^T A f, G^T B f
        fAf, fBf = float(f @ u), float(f @ low)
        most = 3 * np.sqrt(fBf / np.maximum(np.diag(GB), 1e-30 * fBf))
        s, ratio = np.zeros(len(size)), 1.0
        s[0] = 1.0
        for _ in range(DINKELBACH_ROUNDS):
            gain = 2 * fA + ratio * (2 * fB - 4 * limit * size)
            s = _maximise_in_box(ratio * GB - GA, gain, most, s)
            top = fAf + 2 * fA @ s + s @ GA @ s
            bottom = 4 * limit * size @ s + fBf - 2 * fB @ s + s @ GB @ s
            ratio = max(float(top / bottom), 1.0)
        return G @ s

    def _unit_deflections(self, u: np.ndarray) -> np.ndarray:
        """(free, k) unit deflections, signed as in u, of the nodes that sag most, no two close together."""
        places = self.surrogate.deflection_dofs
        w = u[places]
        at = self.surrogate.mesh.plan[np.flatnonzero(self.surrogate.dof_numbers[::3] >= 0)]
        apart = WEIGHTED_NODE_SPACING * float(np.hypot(*np.ptp(self.surrogate.mesh.plan, axis=0)))
        picked: list[int] = []
        left = np.abs(w)
        while len(picked) < MAX_WEIGHTED_NODES and left.max() > 0:
            node = int(left.argmax())
            picked.append(node)
            left = np.where(np.hypot(*(at - at[node]).T) < apart, 0.0, left)
        out = np.zeros((len(u), len(picked)))
        out[places[picked], np.arange(len(picked))] = np.sign(w[picked])
        return out


def _maximise_in_box(H: np.ndarray, gain: np.ndarray, most: np.ndarray, s: np.ndarray, sweeps: int = 30) -> np.ndarray:
    """s with gain . s - s H s great, 0 <= s <= most, H positive semidefinite: one coordinate after the other."""
    s = s.copy()
    curve = np.maximum(np.diag(H), 1e-12 * np.abs(np.diag(H)).max())
    for _ in range(sweeps):
        before = s.copy()
        for k in range(len(s)):
            slope = gain[k] - 2 * (H[k] @ s - H[k, k] * s[k])
            s[k] = min(max(slope / (2 * curve[k]), 0.0), most[k]) if curve[k] > 0 else most[k] * (slope > 0)
        if np.abs(s - before).max() <= 1e-6 * most.max():
            break
    return s
