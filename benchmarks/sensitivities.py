"""Do first-order sensitivities rank moves of beads that are there?  They do not, so the search does not use them.

The largest deflection w of a case in large deflection changes with the place, direction and length of a bead.  By the
adjoint method the change is, to first order, lambda . r: r is the residual of the moved layout at the equilibrium of
the old one, lambda the solution of K_T lambda = e with the tangent stiffness and the unit load at w.  It costs one
residual and no factorisation.  Beside it: the change by a complete evaluation of the moved layout.

Printed for steps of 0.25 to 0.5 mm (is the derivative right?) and for those of a maker, 5 to 20 mm (does it rank?):
Pearson and Spearman correlation over 100 moves at most, and milliseconds of processor time each.  Goal: Spearman 0.9.

    python benchmarks/sensitivities.py [--panel NAME] [--moves 100]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy.stats import spearmanr
from surrogate_and_shell import GAUGE, PANELS, pool, random_layouts

from stiffen.fem.blas_threads import one_thread
from stiffen.fem.nonlinear_problem import NonlinearProblem
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.shop.layout_check import audit
from stiffen.surrogate.laminated_panel import LaminatedPanel, laminated_panel

STEPS = {  # slide mm, lengthening mm, turn degrees; each also backwards
    "0.25 to 0.5 mm": ((0.25, 0.5), (0.5, 1.0), (0.1, 0.2)),
    "5 to 20 mm": ((5.0, 10.0), (10.0, 20.0), (3.0, 6.0)),
}
LEAST_BEADS, MOST_BEADS, LEAST_LENGTH = 3, 6, 120.0
STARTS = 2  # layouts a panel
TRIES = 300


def moved(layout: Layout, steps: tuple, rng: np.random.Generator) -> Layout:
    """One bead of a layout slid across, lengthened at its end, or turned about its middle."""
    kept = list(layout.beads)
    number = int(rng.integers(len(kept)))
    path = np.array(kept[number].path, float)
    along = (path[1] - path[0]) / np.linalg.norm(path[1] - path[0])
    kind = int(rng.integers(3))
    step = float(rng.choice(steps[kind])) * float(rng.choice([-1, 1]))
    if kind == 0:
        path = path + step * np.array([-along[1], along[0]])
    elif kind == 1:
        path[1] += step * along
    else:
        c, s, middle = np.cos(np.radians(step)), np.sin(np.radians(step)), path.mean(axis=0)
        path = (path - middle) @ np.array([[c, s], [-s, c]]) + middle
    kept[number] = replace(kept[number], path=tuple((float(x), float(y)) for x, y in path))
    return replace(layout, beads=tuple(kept))


def changes(panel: Panel, surrogate: LaminatedPanel, start: Layout, layouts: list[Layout]) -> tuple[np.ndarray, ...]:
    """Changes (k,) of the deflection, mm, to first order and in full, and seconds of processor time of both (2,)."""
    assumed, case = next(iter(surrogate.models)), panel.demands[0].case
    model = surrogate.model_of(start, assumed)
    path = model.equilibrium_path(case)
    w = model.deflection(case)
    worst = int(np.abs(w).argmax())
    unit = np.zeros((len(w), 6))
    unit[worst, :3] = np.sign(w[worst]) * model.normals[worst]
    problem = path.problem
    response = problem.respond(path.end_state)
    factors = problem.factorise(response, response.element_forces, 1.0)
    adjoint = factors.solve(problem.free_part(unit.ravel()))
    first, full, seconds = [], [], np.zeros(2)
    for layout in layouts:
        begun = time.process_time()
        shell = surrogate.model_of(layout, assumed).linear_model.shell
        other = NonlinearProblem(
            shell, problem.fixed, problem.forces, problem.pressure, problem.supports, problem.edge_beams
        )
        first.append(float(adjoint @ other.residual(other.respond(path.end_state), 1.0)))
        between = time.process_time()
        again = surrogate.model_of(layout, assumed, {("case", case): path.end_state})
        full.append(float(np.abs(again.deflection(case)).max() - abs(w[worst])))
        seconds += between - begun, time.process_time() - between
    return np.array(first), np.array(full), seconds


def report(panel: Panel, many: int) -> Iterator[str]:
    """The lines of one panel."""
    panel = replace(panel, demands=panel.demands[:1])
    surrogate = laminated_panel(panel, GAUGE)
    beads = tuple(
        bead for bead in pool(panel, surrogate) if len(bead.path) == 2 and bead.length > LEAST_LENGTH
    )  # the moves are those of straight beads
    found = random_layouts(panel, beads, 12, 5)
    for start in [one for one in found if LEAST_BEADS <= len(one.beads) <= MOST_BEADS][:STARTS]:
        for name, steps in STEPS.items():
            rng = np.random.default_rng(3)
            tried = (moved(start, steps, rng) for _ in range(TRIES))
            layouts = list(dict.fromkeys(one for one in tried if not audit(panel, one)))[:many]
            first, full, seconds = changes(panel, surrogate, start, layouts)
            pearson, rank = np.corrcoef(first, full)[0, 1], spearmanr(first, full).statistic
            each = 1000 * seconds / len(layouts)
            yield (
                f"{panel.name:8} {len(start.beads)} beads, {len(layouts):3} moves of {name:14}: "
                f"Pearson {pearson:6.3f}  Spearman {rank:6.3f}  {each[0]:3.0f} ms beside {each[1]:3.0f} ms"
            )


@one_thread
def main() -> None:
    """Print the report of each panel."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--panel", choices=[panel.name for panel in PANELS], action="append")
    ask.add_argument("--moves", type=int, default=100)
    options = ask.parse_args()
    for panel in PANELS:
        if not options.panel or panel.name in options.panel:
            for line in report(panel, options.moves):
                print(line, flush=True)


if __name__ == "__main__":
    main()
