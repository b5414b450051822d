"""What each part of a build feels of the others: its neighbours condensed to stiffness at its rivets.

Static condensation (R. J. Guyan, AIAA J. 3 (1965) 380).  Every tie is cut in its middle, so that each half is a spring
of twice its stiffness; a part with its halves, condensed to the cuts, is a small matrix.  The matrices of all other
parts together, condensed to the cuts of one part, are its neighbours.  Exact for small deflections of the neighbours
under loads on the part itself; the mass of the neighbours is left out.  Deformations of ties as in `ties`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.linalg as sl
import scipy.sparse as sp

from stiffen.fem.blas_threads import one_thread
from stiffen.fem.linear import LinearModel

from .joined_model import JoinedModel
from .parts import ShellPart
from .ties import DEFORMATIONS, Tie, motions

SLIPS = 2  # of the deformations of a tie: the first ones, in the plane of the sheet
NO_STIFFNESS = 1e-10  # eigenvalue over the largest, below which a stiffness is none
HOLD_RATIO = 1e3  # stiffness of a rigid neighbour over that of the fastener


@dataclass(frozen=True, eq=False)
class Condensation:
    """A joined model with the stiffness of its parts at the cuts of their ties.

    at_cuts: part -> (5 k, 5 k) N/mm, in the order of `ties_of`.
    """

    model: JoinedModel
    at_cuts: dict[str, np.ndarray]

    def bare(self) -> Condensation:
        """The same without what is cached, to be sent to another process."""
        parts = {name: replace(part, shell=replace(part.shell)) for name, part in self.model.parts.items()}
        return Condensation(JoinedModel(parts, self.model.ties), self.at_cuts)

    def ties_of(self, name: str) -> np.ndarray:
        """Numbers of the ties of a part."""
        return np.array([i for i, tie in enumerate(self.model.ties) if name in tie.parts], dtype=int)

    def neighbours(self, name: str) -> np.ndarray:
        """(5 k, 5 k) stiffness of all other parts at the cuts of a part's k ties, in the order of `ties_of`."""
        size = DEFORMATIONS * len(self.model.ties)
        whole = np.zeros((size, size))
        for other, stiffness in self.at_cuts.items():
            if other != name:
                rows = _rows(self.ties_of(other))
                whole[np.ix_(rows, rows)] += stiffness
        return condensed(whole, _rows(self.ties_of(name)))

    def springs(self, name: str, neighbours: np.ndarray) -> sp.csr_matrix:
        """(6 n, 6 n) springs of neighbours (5 k, 5 k) on a part, in the part's own frame."""
        part = self.model.parts[name]
        ties = [self.model.ties[i] for i in self.ties_of(name)]
        G = part_motions(part, ties)
        turn = sp.kron(sp.identity(2 * len(part.shell.nodes)), part.rotation).tocsr()
        G = (G @ turn).tocsr()
        found = (G.T @ sp.csr_matrix(self._seen(ties, neighbours)) @ G).tocsr()
        found.eliminate_zeros()
        return found

    def tie_forces(self, name: str, u: np.ndarray) -> np.ndarray:
        """(k, 5) forces of a part's ties on it, for its displacements u (6 n,) in its own frame; as `ties_of`."""
        part = self.model.parts[name]
        ties = [self.model.ties[i] for i in self.ties_of(name)]
        moved = part_motions(part, ties) @ part.in_space(u)
        return (self._seen(ties, self.neighbours(name)) @ moved).reshape(-1, DEFORMATIONS)

    @staticmethod
    def _seen(ties: Sequence[Tie], neighbours: np.ndarray) -> np.ndarray:
        """(5 k, 5 k) stiffness of neighbours behind the halves of ties."""
        halves = half_springs(ties)
        seen = np.diag(halves) - halves[:, None] * np.linalg.solve(neighbours + np.diag(halves), np.diag(halves))
        return (seen + seen.T) / 2

    def joint_rows(self, name: str, joint: int) -> np.ndarray:
        """Rows of the slips of one joint in the matrices of a part."""
        ties = [self.model.ties[i] for i in self.ties_of(name)]
        mine = np.array([i for i, tie in enumerate(ties) if tie.joint == joint], dtype=int)
        return (DEFORMATIONS * mine[:, None] + np.arange(SLIPS)).ravel()

    def freed(self, name: str, joint: int, neighbours: np.ndarray) -> np.ndarray:
        """The neighbours (5 k, 5 k) if a joint let the part slide in its plane."""
        slips = self.joint_rows(name, joint)
        rest = np.setdiff1d(np.arange(len(neighbours)), slips)
        out = np.zeros_like(neighbours)
        out[np.ix_(rest, rest)] = condensed(neighbours, rest)
        return out

    def held(self, name: str, joint: int, neighbours: np.ndarray) -> np.ndarray:
        """The neighbours (5 k, 5 k) if a joint held the part rigidly in its plane."""
        slips = self.joint_rows(name, joint)
        halves = half_springs([self.model.ties[i] for i in self.ties_of(name)])
        out = neighbours.copy()
        out[slips, slips] += HOLD_RATIO * halves[slips]
        return out


def condensation(model: JoinedModel, known: Condensation | None = None) -> Condensation:
    """Condense every part of a joined model.

    known: another condensation, whose matrices are taken for parts that are the same objects.  Raises SolverError.
    """
    at_cuts = {}
    for name, part in model.parts.items():
        if known is not None and known.model.parts.get(name) is part:
            at_cuts[name] = known.at_cuts[name]
        else:
            at_cuts[name] = at_cuts_of(part, [tie for tie in model.ties if name in tie.parts])
    return Condensation(model, at_cuts)


@one_thread
def at_cuts_of(part: ShellPart, ties: Sequence[Tie]) -> np.ndarray:
    """(5 k, 5 k) stiffness of a part with half of each of its k ties, at their cuts."""
    halves = half_springs(ties)
    if not len(halves):
        return np.zeros((0, 0))
    G = part_motions(part, ties)
    springs = G.T @ sp.diags(halves) @ G
    if part.springs is not None:
        springs = springs + part.springs
    model = LinearModel(part.shell, part.fixed, springs.tocsr(), None, part.attached)
    loads = (G.T @ sp.diags(halves)).toarray()
    moved = model.solve_free(np.ascontiguousarray(loads[model.free]))
    found = np.diag(halves) - loads[model.free].T @ moved
    return (found + found.T) / 2


def part_motions(part: ShellPart, ties: Sequence[Tie]) -> sp.csr_matrix:
    """(5 k, 6 n) motions of a part at its ties, in space."""
    nodes = [tie.nodes[tie.parts.index(part.name)] for tie in ties]
    places = [part.shell.nodes[node] for node in nodes]
    return motions(list(ties), [1] * len(ties), places, nodes, len(part.shell.nodes))


def half_springs(ties: Sequence[Tie]) -> np.ndarray:
    """(5 k,) stiffness of each half of ties."""
    return np.concatenate([np.zeros(0), *(2 * tie.springs for tie in ties)])


def condensed(stiffness: np.ndarray, kept: np.ndarray) -> np.ndarray:
    """Schur complement of a symmetric matrix on the rows kept; directions without stiffness carry nothing."""
    left = np.setdiff1d(np.arange(len(stiffness)), kept)
    out = stiffness[np.ix_(kept, kept)]
    if not len(left):
        return out
    coupling, inner = stiffness[np.ix_(left, kept)], stiffness[np.ix_(left, left)]
    scale = 1 / np.sqrt(np.maximum(np.diag(inner), 1e-30))
    values, vectors = sl.eigh(scale[:, None] * inner * scale)
    firm = values > NO_STIFFNESS * values[-1]
    part = vectors[:, firm].T @ (scale[:, None] * coupling)
    out = out - part.T @ (part / values[firm][:, None])
    return (out + out.T) / 2


def _rows(ties: np.ndarray) -> np.ndarray:
    return (DEFORMATIONS * ties[:, None] + np.arange(DEFORMATIONS)).ravel()
