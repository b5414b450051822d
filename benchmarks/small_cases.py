"""Small cases, every subset of the candidates enumerated: does the search find the optimum, and is it proven?

For each case about a dozen candidates are drawn at random from all that the shop can make, and the surrogate (on a
coarse mesh) evaluates every subset of them that can be made.  The cheapest that meets the demands is the optimum, for
the local search's choice, the branch and bound, and the linear program's bound.  A second table has cases of up to 40
candidates, too many to enumerate, where the branch and bound is the only reference.

    python benchmarks/small_cases.py
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from stiffen.optimise.bounds.branch_and_bound import cheapest_layout
from stiffen.optimise.bounds.cutting_planes import surrogate_limits
from stiffen.optimise.bounds.linear_program import CostTerms
from stiffen.optimise.bounds.lower_bound import lower_bound
from stiffen.optimise.candidates.conflicts import conflict_matrix
from stiffen.optimise.search.local_search import SelectionObjective, multistart
from stiffen.surrogate.stiffened_plate import StiffenedPlate, stiffened_plate

from stiffen.fem.blas_threads import one_thread
from stiffen.model.layout import Bead, Layout
from stiffen.model.material import Material
from stiffen.model.panel import Cutout, Demand, Load, Panel, Support
from stiffen.model.tools import BeadDie, Roller, Tools
from stiffen.optimise.candidates.straight_beads import bead_candidates
from stiffen.optimise.search.settings import DEFAULT_SETTINGS
from stiffen.shop import process_plan

GAUGE = 1.0
SIZE = 25.0  # mm, element size of the surrogate
SEEDS = 3  # the search must find the optimum from each of them
SHOP = Tools(
    "small shop",
    Roller(throat=500.0, least_path_radius=40.0),
    (BeadDie("B12", "round", 12.0, 3.5, shoulder_radius=2.0), BeadDie("B16", "round", 16.0, 4.5, shoulder_radius=2.5)),
)
DIE_MINUTES = SHOP.roller.die_change_minutes + process_plan.MINUTES_PER_TRIAL_STRIP
SHEET = Material("soft sheet", 70e3, 0.33, 2.68e-6, 110.0, 210.0, 0.15)


def ring(x: float, y: float, diameter: float, points: int = 48) -> tuple[tuple[float, float], ...]:
    """A circle as a polygon."""
    turn = 2 * math.pi * np.arange(points) / points
    return tuple(zip((x + diameter / 2 * np.cos(turn)).tolist(), (y + diameter / 2 * np.sin(turn)).tolist()))  # noqa: B905


def panel(name: str, outline: tuple, supports: tuple, loads: tuple, demands: tuple, cutouts: tuple = ()) -> Panel:
    """A panel of the small shop."""
    return Panel(name, SHEET, (GAUGE,), outline, SHOP, cutouts=cutouts, supports=supports, loads=loads, demands=demands)


PRESSURE = Load("wind", "pressure", 2e-5)
PANELS = (
    panel(
        "lid held all round, pressure",
        ((0.0, 0.0), (500.0, 0.0), (500.0, 400.0), (0.0, 400.0)),
        (Support("edge", in_plane="free"),),
        (PRESSURE,),
        (Demand("deflection", 0.25, "wind"),),
    ),
    panel(
        "strip on its short ends, frequency",
        ((0.0, 0.0), (700.0, 0.0), (700.0, 200.0), (0.0, 200.0)),
        (
            Support("edge", in_plane="free", path=((0.0, 0.0), (0.0, 200.0))),
            Support("edge", in_plane="free", path=((700.0, 0.0), (700.0, 200.0))),
        ),
        (),
        (Demand("frequency", 18.0),),
    ),
    panel(
        "plate on four bolts, softness",
        ((0.0, 0.0), (420.0, 0.0), (420.0, 420.0), (0.0, 420.0)),
        (Support("bolts", at=((25.0, 25.0), (395.0, 25.0), (395.0, 395.0), (25.0, 395.0)), diameter=8.0),),
        (),
        (Demand("softness", 0.46, force=0.5),),
    ),
    panel(
        "L, clamped on two edges, patch and softness",
        ((0.0, 0.0), (520.0, 0.0), (520.0, 220.0), (240.0, 220.0), (240.0, 440.0), (0.0, 440.0)),
        (
            Support("edge", "clamped", in_plane="free", path=((0.0, 0.0), (520.0, 0.0))),
            Support("edge", "clamped", in_plane="free", path=((0.0, 0.0), (0.0, 440.0))),
        ),
        (Load("hand", "patch", 1.0, at=(400.0, 150.0), size=(40.0, 40.0)),),
        (Demand("deflection", 0.48, "hand"), Demand("softness", 0.95, force=0.5)),
    ),
    panel(
        "trapezium on two edges, frequency and pressure",
        ((0.0, 0.0), (620.0, 0.0), (500.0, 380.0), (100.0, 380.0)),
        (
            Support("edge", in_plane="free", path=((0.0, 0.0), (620.0, 0.0))),
            Support("edge", in_plane="free", path=((500.0, 380.0), (100.0, 380.0))),
        ),
        (PRESSURE,),
        (Demand("frequency", 26.0), Demand("deflection", 0.5, "wind")),
    ),
    panel(
        "disc with a hub hole, pressure and frequency",
        ring(0.0, 0.0, 460.0),
        (Support("edge", in_plane="free"),),
        (PRESSURE,),
        (Demand("deflection", 0.268, "wind"), Demand("frequency", 35.0)),
        (Cutout(ring(0.0, 0.0, 60.0, 24), (0.0, 0.0, 60.0)),),
    ),
    panel(
        "foot plate on two edges, roving patch",
        ((0.0, 0.0), (480.0, 0.0), (480.0, 340.0), (0.0, 340.0)),
        (
            Support("edge", in_plane="free", path=((0.0, 0.0), (480.0, 0.0))),
            Support("edge", in_plane="free", path=((480.0, 340.0), (0.0, 340.0))),
        ),
        (Load("foot", "patch", 1.0, size=(80.0, 80.0)),),
        (Demand("deflection", 0.4, "foot"), Demand("frequency", 38.0)),
    ),
)
POOL = 14  # candidates of each case
# Seeds of the random candidates where not 0: with seed 0 no subset of this panel's candidates meets the demands.
LOTS = {"disc with a hub hole, pressure and frequency": 1}
LOOSE = 5  # most conflicts of a candidate with others of its case
MIDDLE, MIDDLE_LOOSE = 40, 15  # the same for the second table


@dataclass(frozen=True, eq=False)
class Case:
    """A panel with its few candidates, ready for the search; minutes: (n,) each bead's own."""

    panel: Panel
    beads: tuple[Bead, ...]
    surrogate: StiffenedPlate
    conflicts: sp.csr_array
    minutes: np.ndarray
    dies: np.ndarray

    @property
    def limits(self) -> dict[int, float]:
        """Demand index -> value that the search asks of the surrogate."""
        return surrogate_limits(self.surrogate, DEFAULT_SETTINGS.target_utilisation)

    def met(self, chosen: tuple[int, ...]) -> bool:
        """True where a subset meets on the surrogate what the search asks."""
        values = self.surrogate.respond(chosen).values
        demands = self.panel.demands
        return all(values[i] <= v if demands[i].at_most else values[i] >= v for i, v in self.limits.items())

    @property
    def terms(self) -> CostTerms:
        """Minutes of beads and dies."""
        return CostTerms(self.minutes, self.dies, DIE_MINUTES)

    def cost(self, chosen: tuple[int, ...]) -> float:
        """Minutes that a layout adds to those of the flat sheet; without those for turning the sheet between beads."""
        return float(self.minutes[list(chosen)].sum() + DIE_MINUTES * len({self.dies[i] for i in chosen}))

    def objective(self) -> SelectionObjective:
        """The case as the objective of the local search."""
        blocked = self.conflicts.toarray()
        return SelectionObjective(self.surrogate, blocked, self.minutes, die_minutes=DIE_MINUTES, die_numbers=self.dies)


def few(blocked: np.ndarray, pool: int, loose: int, seed: int = 0) -> list[int]:
    """Numbers of `pool` candidates drawn at random, each in conflict with at most `loose` others of those drawn."""
    picked: list[int] = []
    for i in np.random.default_rng(seed).permutation(len(blocked)):
        together = blocked[np.ix_([*picked, i], [*picked, i])]
        if len(picked) < pool and together.sum(axis=0).max() <= loose:
            picked.append(int(i))
    return sorted(picked)


def case(one: Panel, pool: int = POOL, loose: int = LOOSE, size: float = SIZE) -> Case:
    """A few of the candidates that could be made."""
    every = bead_candidates(one, GAUGE)
    blocked = conflict_matrix(one, GAUGE, every, ())
    picked = few(blocked.toarray(), pool, loose, LOTS.get(one.name, 0))
    beads = tuple(every[i] for i in picked)
    flat = process_plan.minutes(one, Layout(GAUGE)) + DIE_MINUTES
    minutes = np.array([process_plan.minutes(one, Layout(GAUGE, (bead,))) for bead in beads]) - flat
    dies = np.array([one.tools.bead_dies.index(bead.die) for bead in beads])
    return Case(one, beads, stiffened_plate(one, GAUGE, beads, size=size), blocked[picked][:, picked], minutes, dies)


def layouts(blocked: np.ndarray, chosen: tuple[int, ...] = ()) -> Iterator[tuple[int, ...]]:
    """Every subset of candidates of which no two exclude each other."""
    yield chosen
    start = chosen[-1] + 1 if chosen else 0
    for i in range(start, len(blocked)):
        if not blocked[i, list(chosen)].any():
            yield from layouts(blocked, (*chosen, i))


def enumerated(one: Case) -> tuple[int, dict[tuple[int, ...], float]]:
    """How many subsets can be made, and the minutes of those that meet the demands."""
    count, met = 0, {}
    for chosen in layouts(one.conflicts.toarray()):
        count += 1
        if one.met(chosen):
            met[chosen] = one.cost(chosen)
    return count, met


def row(one: Case) -> str:
    """One line of the table."""
    start = time.perf_counter()
    count, met = enumerated(one)
    spent = time.perf_counter() - start
    best = min(met.values(), default=math.inf)
    start = time.perf_counter()
    found = [multistart(one.objective(), seed, 3) for seed in range(SEEDS)]
    searched = (time.perf_counter() - start) / SEEDS
    right = sum(
        bool(choice.utilisation <= DEFAULT_SETTINGS.target_utilisation and choice.minutes <= best * (1 + 1e-9))
        for choice in found
    )
    proven = cheapest_layout(one.surrogate, one.conflicts, one.limits, one.terms, quantity="minutes")
    loose = lower_bound(one.surrogate, one.conflicts, one.limits, one.terms, quantity="minutes", known=proven.chosen)
    return (
        f"{one.panel.name:48} {len(one.beads):3} {count:6} {len(met):6} {spent:6.1f}  {best:7.2f} {right}/{SEEDS} "
        f"{searched:6.2f}  {proven.value:7.2f} {proven.status.value:9} {proven.rounds:5} {proven.seconds:5.1f}  "
        f"{loose.value:7.2f} {100 * (loose.gap or 0):4.0f} {loose.rounds:3}"
    )


def middle_row(one: Case) -> str:
    """One line of the second table."""
    start = time.perf_counter()
    found = min((multistart(one.objective(), seed, 3) for seed in range(SEEDS)), key=lambda choice: choice.rank)
    searched = time.perf_counter() - start
    known = found.chosen if found.utilisation <= DEFAULT_SETTINGS.target_utilisation else None
    proven = cheapest_layout(one.surrogate, one.conflicts, one.limits, one.terms, quantity="minutes", known=known)
    chosen = "-" if known is None else f"{found.minutes:.2f}"
    least = "-" if proven.known is None else f"{proven.known:.2f}"
    return (
        f"{one.panel.name:48} {len(one.beads):3}  {chosen:>7} {searched:6.2f}  "
        f"{least:>7} {proven.value:7.2f} {proven.status.value:13} {proven.rounds:5} {proven.seconds:5.1f}"
    )


@one_thread
def main() -> None:
    """Print the table."""
    print("least minutes at the bench for beads that meet the demands on the surrogate (coarse mesh)")
    print(
        f"{'':48} {'':3} {'can be':>6} {'':6} {'':6}  {'best by':>7} {'search':>6} {'':3}  {'branch and bound':>23} "
        f"{'':5}  {'linear program':>14}"
    )
    print(
        f"{'case':48} {'n':>3} {'made':>6} {'meet':>6} {'s':>6}  {'enum.':>7} {'':3} {'s':>6}  {'value':>7} {'':9} "
        f"{'nodes':>5} {'s':>5}  {'bound':>7} {'gap%':>4} {'rds':>3}"
    )
    for one in PANELS:
        print(row(case(one)), flush=True)
    print("\nmiddle cases: too many subsets to enumerate")
    print(f"{'case':48} {'n':>3}  {'search':>7} {'s':>6}  {'tree':>7} {'bound':>7} {'':13} {'nodes':>5} {'s':>5}")
    for one in PANELS:
        print(middle_row(case(one, MIDDLE, MIDDLE_LOOSE)), flush=True)


if __name__ == "__main__":
    main()
