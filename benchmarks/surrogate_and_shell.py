"""The laminated surrogate compared with the shell model, on random layouts and on single moves, on five panels.

1. Large deflection: random layouts of one to eight beads of several dies on either face, straight and curved.  For each
   demand the rank correlation (Spearman), and the share of layouts within 8 % after calibration by the median ratio of
   three other layouts.
2. Small deflection, not calibrated: relative errors of the linear deflection, the softness at three places, the first
   frequency and the buckling factor, and their rank correlation; then the errors of all panels together.
3. Single moves from the stiffest layout that a quick search finds (a bead slides, turns over, takes another die, comes
   or goes): rank correlation of the deflection, the place that the shell model's best has in the surrogate's order, and
   how near the best of the surrogate's first five is to it.

    python benchmarks/surrogate_and_shell.py [--layouts 60] [--small 30] [--moves 40] [--panel NAME] [--mesh quick]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import spearmanr

from stiffen.analysis.demand_values import demand_value
from stiffen.analysis.panel_model import PanelModel, build_panel_model
from stiffen.analysis.screening import ACCURACY
from stiffen.analysis.supports import in_plane_assumptions
from stiffen.errors import StiffenError
from stiffen.fem.blas_threads import one_thread
from stiffen.io.tools_file import starter_tools
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.mesh.size_field import background_side
from stiffen.model.layout import Bead, Layout, Point
from stiffen.model.material import Material
from stiffen.model.panel import Demand, Fold, Load, Panel, Support
from stiffen.optimise.candidates.curved_beads import curved_bead_candidates
from stiffen.optimise.candidates.straight_beads import bead_candidates
from stiffen.optimise.search.driver import search
from stiffen.shop.layout_check import audit
from stiffen.surrogate.laminated_panel import LaminatedPanel, laminated_panel

SHEET = Material("5754-H111", 70e3, 0.33, 2.67e-6, 80.0, 190.0, 0.15)
GAUGE = 1.0
WITHIN = 0.08
TRIES = 60  # candidates tried for one random layout
CALIBRATING = 3  # layouts, not scored
RANK, SHARE, MOVE_RANK, FIRST, RMS = 0.97, 0.90, 0.90, 5, 0.06  # goals
A, B = 500.0, 400.0
BOX = ((0.0, 0.0), (A, 0.0), (A, B), (0.0, B))
FREQUENCY, PUSHED = Demand("frequency", 40.0), Demand("softness", 2.0, force=20.0)


def _squeeze(right: float, low: float, high: float) -> tuple[Load, Load]:
    """1 N/mm on the sides x = 0 and x = right, toward each other."""
    return tuple(
        Load("squeeze", "line", 1.0, path=((x, low), (x, high)), direction=(sign, 0.0, 0.0))
        for x, sign in ((0.0, 1.0), (right, -1.0))
    )


def _foot(newtons: float, at: Point = (A / 2, B / 2)) -> Load:
    return Load("foot", "patch", newtons, at=at, size=(100.0, 100.0))


def _panel(name: str, outline: tuple, support: tuple, loads: tuple, case: str, folds: tuple = ()) -> Panel:
    demands = (Demand("deflection", 5.0, case), PUSHED, FREQUENCY)
    return Panel(
        name,
        SHEET,
        (GAUGE,),
        outline,
        starter_tools(),
        bead_side="either",
        supports=support,
        loads=loads,
        demands=demands,
        folds=folds,
    )


PANELS = (
    _panel(
        "seal", BOX, (Support("edge", in_plane="free"),), (Load("wind", "pressure", 2e-3), *_squeeze(A, 0.0, B)), "wind"
    ),
    _panel("held", BOX, (Support("edge", in_plane="held"),), (_foot(400.0),), "foot"),
    _panel(
        "riveted",
        BOX,
        tuple(Support("rivets", path=((20.0, y), (480.0, y)), pitch=46.0, diameter=4.0) for y in (12.0, 388.0)),
        (_foot(200.0, (220.0, 200.0)), *_squeeze(A, 30.0, 370.0)),
        "foot",
    ),
    _panel(
        "tray",
        BOX,
        (Support("bolts", in_plane="held", at=((25.0, 60.0), (475.0, 60.0), (475.0, 340.0), (25.0, 340.0)),
                 diameter=6.0),),
        (Load("wind", "pressure", 1e-3), *_squeeze(A, 60.0, 340.0)),
        "wind",
        (Fold(((0.0, 30.0), (A, 30.0)), 90.0, 2.0), Fold(((0.0, 370.0), (A, 370.0)), 90.0, 2.0)),
    ),
    _panel(
        "strip",
        ((0.0, 0.0), (800.0, 0.0), (800.0, 180.0), (0.0, 180.0)),
        tuple(Support("edge", in_plane="free", path=((x, 0.0), (x, 180.0))) for x in (0.0, 800.0)),
        (_foot(60.0, (400.0, 90.0)), *_squeeze(800.0, 0.0, 180.0)),
        "foot",
    ),
)  # fmt: skip


def pool(panel: Panel, surrogate: LaminatedPanel) -> tuple[Bead, ...]:
    """Straight and curved candidates of the panel."""
    return bead_candidates(panel, GAUGE) + curved_bead_candidates(panel, GAUGE, surrogate)


def random_layouts(panel: Panel, beads: tuple[Bead, ...], many: int, seed: int) -> list[Layout]:
    """Layouts of one to eight beads that can be made together; all up, all down or mixed."""
    rng = np.random.default_rng(seed)
    out = []
    while len(out) < many:
        wanted, sides = int(rng.integers(1, 9)), (("up",), ("down",), ("up", "down"))[int(rng.integers(3))]
        layout = Layout(GAUGE)
        for i in rng.permutation(len(beads))[:TRIES]:
            more = replace(layout, beads=(*layout.beads, replace(beads[i], side=str(rng.choice(sides)))))
            if not audit(panel, more):
                layout = more
            if len(layout.beads) == wanted:
                break
        if layout.beads:
            out.append(layout)
    return out


def stiffest(panel: Panel) -> Layout:
    """What a quick search for the least first demand finds with at most eight beads and no holes."""
    asked = replace(panel, demands=panel.demands[:1], goal="stiffest", beads_at_most=8, flared_holes="none")
    return search(asked, effort="quick", mesh_level="quick").verdict.layout


def moved_layouts(panel: Panel, beads: tuple[Bead, ...], start: Layout, many: int, seed: int) -> list[Layout]:
    """Layouts that can be made, one move from `start`."""
    rng = np.random.default_rng(seed)
    dies = [die for die in panel.tools.bead_dies if die.profile != "step"]
    out: dict[tuple[Bead, ...], Layout] = {}
    for _ in range(100 * many):
        if len(out) == many:
            break
        kept = list(start.beads)
        number, kind = (
            int(rng.integers(len(kept))),
            str(rng.choice(["slide", "slide", "slide", "turn", "die", "add", "drop"])),
        )
        bead = kept[number]
        if kind == "slide":
            (x0, y0), (x1, y1) = bead.path[0], bead.path[-1]
            along = np.array([x1 - x0, y1 - y0]) / max(np.hypot(x1 - x0, y1 - y0), 1e-9)
            across = np.array([-along[1], along[0]]) if not bead.closed else np.array([1.0, 0.0])
            shift = float(rng.choice([-20, -10, -5, 5, 10, 20])) * across
            kept[number] = replace(bead, path=tuple((x + float(shift[0]), y + float(shift[1])) for x, y in bead.path))
        elif kind == "turn":
            kept[number] = replace(bead, side="down" if bead.side == "up" else "up")
        elif kind == "die":
            kept[number] = replace(bead, die=dies[int(rng.integers(len(dies)))])
        elif kind == "drop":
            kept.pop(number)
        else:
            kept.append(replace(beads[int(rng.integers(len(beads)))], side=bead.side))
        layout = Layout(GAUGE, tuple(kept))
        if layout.beads and layout != start and not audit(panel, layout):
            out[layout.beads] = layout
    return list(out.values())


def shell_models(panel: Panel, layout: Layout, mesh_level: str) -> list[PanelModel]:
    """Shell models of a layout, one for each assumption on the in-plane restraint.

    Beyond the quick mesh each has the model on a mesh twice as coarse for its first guesses, as in `check`.
    """

    def on(size: float | None) -> list[PanelModel]:
        mesh = mesh_panel(panel, layout, mesh_level=mesh_level, size=size)
        models = (build_panel_model(panel, layout, mesh, assumed) for assumed in in_plane_assumptions(panel))
        return [replace(model, accuracy=ACCURACY) for model in models]

    fine = on(None)
    if mesh_level == "quick":
        return fine
    coarse = on(2 * background_side(panel.region.area, mesh_level))
    return [replace(model, coarser=one) for model, one in zip(fine, coarse, strict=True)]


def by_shell(panel: Panel, layout: Layout, mesh_level: str, demands: tuple[Demand, ...]) -> list[float]:
    """The worst value of each demand; NaN where no equilibrium is found."""
    models = shell_models(panel, layout, mesh_level)
    out = []
    for demand in demands:
        found = [demand_value(model, demand) for model in models]
        worst = max(found, key=lambda value: value.utilisation(demand))
        out.append(worst.value if np.isfinite(worst.utilisation(demand)) else np.nan)
    return out


def by_surrogate(surrogate: LaminatedPanel, layout: Layout) -> list[float]:
    """The worst value of each demand; NaN where no equilibrium is found."""
    found = surrogate.respond(layout)
    return [
        value.value if np.isfinite(part) else np.nan
        for value, part in zip(found.values, found.utilisations, strict=True)
    ]


def both(
    panel: Panel, surrogate: LaminatedPanel, layouts: list[Layout], mesh_level: str
) -> tuple[np.ndarray, np.ndarray]:
    """Values (layouts, demands) by surrogate and shell; layouts that the shell model cannot decide are left out."""
    ours, shell = [], []
    for layout in layouts:
        try:
            truth = by_shell(panel, layout, mesh_level, panel.demands)
        except StiffenError as error:
            print(f"    left out: {error}")
            continue
        ours.append(by_surrogate(surrogate, layout))
        shell.append(truth)
    return np.array(ours), np.array(shell)


@dataclass(frozen=True)
class Agreement:
    """Of one demand: rank correlation, calibration, share within 8 %, largest error after calibration."""

    label: str
    count: int
    rank: float
    factor: float
    within: float
    worst: float


def agreement(panel: Panel, ours: np.ndarray, shell: np.ndarray) -> Iterator[Agreement]:
    """Agreement of values (layouts, demands); the first CALIBRATING rows calibrate and are not scored."""
    ratio = shell / ours
    for i, demand in enumerate(panel.demands):
        factor = float(np.nanmedian(ratio[:CALIBRATING, i]))
        good = np.flatnonzero(np.isfinite(ratio[CALIBRATING:, i])) + CALIBRATING
        error = np.abs(ratio[good, i] / factor - 1)
        rank = float(spearmanr(ours[good, i], shell[good, i]).statistic)
        yield Agreement(demand.label, len(good), rank, factor, float((error <= WITHIN).mean()), float(error.max()))


def _places(panel: Panel) -> tuple[Point, ...]:
    x0, y0, x1, y1 = panel.region.bounds
    return tuple((x0 + u * (x1 - x0), y0 + v * (y1 - y0)) for u, v in ((0.5, 0.5), (0.27, 0.62), (0.81, 0.36)))


def small_quantities(panel: Panel) -> dict[str, Callable[[PanelModel], float]]:
    """Quantities by small-deflection theory, from a panel model."""
    case = panel.demands[0].case
    out: dict[str, Callable[[PanelModel], float]] = {
        "linear deflection": lambda model: model.deflection_over_thickness(case),
        **{f"softness at {x:.0f}, {y:.0f}": lambda model, p=(x, y): model.softness_at(p) for x, y in _places(panel)},
        "frequency": lambda model: model.first_frequency,
    }
    if "squeeze" in panel.cases:
        out["buckling"] = lambda model: float(model.linear_model.buckling(model.linear_solution("squeeze")[1])[0][0])
    return out


def small_values(
    panel: Panel, surrogate: LaminatedPanel, layouts: list[Layout], mesh_level: str
) -> dict[str, np.ndarray]:
    """Values (layouts, 2) of the surrogate and of the shell model in small deflection."""
    quantities = small_quantities(panel)
    out: dict[str, list[tuple[float, float]]] = {name: [] for name in quantities}
    for layout in layouts:
        shell = shell_models(panel, layout, mesh_level)[0]
        ours = surrogate.model_of(layout, shell.assumed)
        for name, quantity in quantities.items():
            out[name].append((quantity(ours), quantity(shell)))
    return {name: np.array(values) for name, values in out.items()}


def compare_moves(
    panel: Panel, surrogate: LaminatedPanel, layouts: list[Layout], mesh_level: str
) -> tuple[float, int, float, int]:
    """Of the first demand: rank correlation, place of the shell's best in the surrogate's order, number of moves.

    Before the last: by how much the best of the surrogate's first five is worse, by the shell, as a share.
    """
    one = replace(panel, demands=panel.demands[:1])
    ours, shell = both(one, replace(surrogate, panel=one), layouts, mesh_level)
    known = np.isfinite(ours[:, 0]) & np.isfinite(shell[:, 0])
    ours, shell = ours[known, 0], shell[known, 0]
    place = int((ours < ours[shell.argmin()]).sum()) + 1
    spread = shell[np.argsort(ours, kind="stable")[:FIRST]].min() / shell.min() - 1
    return float(spearmanr(ours, shell).statistic), place, float(spread), len(ours)


@dataclass(frozen=True)
class SmallErrors:
    """Relative errors of one quantity in small deflection, over panels and layouts (k,), and rank on one panel."""

    label: str
    errors: np.ndarray
    rank: float | None = None

    @classmethod
    def of(cls, label: str, values: np.ndarray) -> SmallErrors:
        """Of values (layouts, 2) of surrogate and shell model."""
        return cls(label, values[:, 0] / values[:, 1] - 1, float(spearmanr(*values.T).statistic))

    def __str__(self) -> str:
        rms, mean, worst = np.sqrt(np.mean(self.errors**2)), self.errors.mean(), np.abs(self.errors).max()
        rank = "" if self.rank is None else f"  rank {self.rank:.3f}"
        return (
            f"  small: {self.label:22} {len(self.errors):4} rms {100 * rms:4.1f} %  mean {100 * mean:+5.1f} %"
            f"  worst {100 * worst:3.0f} %{rank}"
        )


def by_kind(found: list[SmallErrors]) -> Iterator[SmallErrors]:
    """The errors of all panels and places together: linear deflection, softness, frequency, buckling."""
    kinds: dict[str, list[np.ndarray]] = {}
    for one in found:
        kinds.setdefault(one.label.split(" at ")[0], []).append(one.errors)
    for kind, errors in kinds.items():
        yield SmallErrors(kind, np.concatenate(errors))


def compared_by_value(panel: Panel, surrogate: LaminatedPanel, layouts: list[Layout], mesh_level: str) -> Iterator[str]:
    """Lines on the demands' values of random layouts."""
    for one in agreement(panel, *both(panel, surrogate, layouts, mesh_level)):
        yield (
            f"  {one.label:18} {one.count:4} rank {one.rank:6.3f}  within 8 % {100 * one.within:5.1f} %  factor "
            f"{one.factor:.3f}  worst {100 * one.worst:3.0f} %"
        )


def compared_by_move(
    panel: Panel, surrogate: LaminatedPanel, beads: tuple[Bead, ...], options: argparse.Namespace
) -> str:
    """A line on single moves from the stiffest layout."""
    moves = moved_layouts(panel, beads, stiffest(panel), options.moves, options.seed)
    rank, place, spread, count = compare_moves(panel, surrogate, moves, options.mesh)
    return (
        f"  {count} moves: rank {rank:.3f}, the shell model's best is number {place}; the best of the surrogate's "
        f"first five is within {100 * spread:.2f} % of it"
    )


def report(panel: Panel, options: argparse.Namespace, small: list[SmallErrors]) -> Iterator[str]:
    """The lines of one panel; its errors in small deflection are added to `small`."""
    surrogate = laminated_panel(panel, GAUGE)
    beads = pool(panel, surrogate)
    layouts = random_layouts(panel, beads, max(options.layouts + CALIBRATING, options.small), options.seed)
    yield f"{panel.name}: {len(surrogate.mesh.nodes)} nodes, {len(beads)} candidates"
    if options.layouts:
        yield from compared_by_value(panel, surrogate, layouts[: options.layouts + CALIBRATING], options.mesh)
    if options.small:
        found = small_values(panel, surrogate, layouts[: options.small], options.mesh)
        own = [SmallErrors.of(label, values) for label, values in found.items()]
        small += own
        yield from map(str, own)
    if options.moves:
        yield compared_by_move(panel, surrogate, beads, options)


@one_thread
def main() -> None:
    """Print the report of each panel."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--layouts", type=int, default=60)
    ask.add_argument("--small", type=int, default=30)
    ask.add_argument("--moves", type=int, default=40)
    ask.add_argument("--seed", type=int, default=0)
    ask.add_argument("--mesh", choices=("quick", "normal"), default="quick")
    ask.add_argument("--panel", choices=[panel.name for panel in PANELS], action="append")
    options = ask.parse_args()
    small: list[SmallErrors] = []
    for panel in PANELS:
        if not options.panel or panel.name in options.panel:
            start = time.perf_counter()
            for line in report(panel, options, small):
                print(line, flush=True)
            print(f"  {time.perf_counter() - start:.0f} s", flush=True)
    if small:
        print("all of these panels")
        for one in by_kind(small):
            print(one)


if __name__ == "__main__":
    main()
