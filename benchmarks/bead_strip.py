"""One bead in a strip: the surrogate's stiffener against the shell model, and the shear-lag lengths that fit best.

A strip has the effective width of one bead (`rib_stiffness.effective_sheet`).  It is supported on its two short ends,
15 mm beyond the bead, and carries a line load along the bead.  The shell model has its true shape, the surrogate is a
flat plate with a stiffener.  Printed for each die, gauge and length: the error of the surrogate's
deflection with the shear-lag lengths in use; then the length that fits all dies of a profile best.  Step
beads come in pairs, one along each long edge, so that the strip does not bend in its plane.

    python benchmarks/bead_strip.py [--grade normal|fine] [--die B16]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize_scalar
from stiffen.surrogate.stiffened_plate import stiffened_plate

from stiffen.analysis.evaluation import check
from stiffen.io.panel_file import starter_tools
from stiffen.model.layout import Bead, Layout
from stiffen.model.material import materials
from stiffen.model.panel import Demand, Load, Panel, Support
from stiffen.model.tools import BeadDie
from stiffen.surrogate import rib_stiffness

SHEET = materials()["5754-H111"]
SHOP = starter_tools()
STEP = BeadDie("S8", "step", 8.0, 4.0, nose_radius=2.0, shoulder_radius=2.0)
DIES = (*SHOP.bead_dies, STEP)
GAUGES = (0.8, 1.0, 1.5, 2.0)
LENGTHS = (120.0, 200.0, 400.0, 800.0)
BARE = 15.0  # mm of flat sheet between an end of the bead and the support


@dataclass(frozen=True)
class Strip:
    """One case: die, gauge, length of the bead, and the largest deflection by the shell model; see `strip`."""

    die: BeadDie
    t: float
    length: float
    shell_value: float
    surrogate_value: Callable[[float], float]  # shear-lag length (mm) -> largest deflection by the surrogate

    def relative_error(self, lag: float) -> float:
        """Deflection of the surrogate over that of the shell, less 1, for a shear-lag length `lag` (mm)."""
        return self.surrogate_value(lag) / self.shell_value - 1


def strip(die: BeadDie, t: float, length: float, grade: str = "fine") -> Strip:
    """A strip of t mm sheet with one bead of a length (mm), and its deflection by the shell model."""
    a = length + 2 * BARE
    if die.profile == "step":
        width = 2 * (sum(rib_stiffness.effective_sheet(die)) + die.width)
        lines = [rib_stiffness.STEP_LIP_WIDTH + die.width / 2, width - rib_stiffness.STEP_LIP_WIDTH - die.width / 2]
    else:
        width = die.width + sum(rib_stiffness.effective_sheet(die))
        lines = [width / 2]
    beads = tuple(Bead(die, ((BARE, y), (a - BARE, y))) for y in lines)
    ends = tuple(Support("edge", path=((x, 0.0), (x, width)), in_plane="free") for x in (0.0, a))
    panel = Panel(
        "strip",
        SHEET,
        (t,),
        ((0.0, 0.0), (a, 0.0), (a, width), (0.0, width)),
        SHOP,
        supports=ends,
        loads=tuple(Load("bent", "line", 1e-4, path=bead.path) for bead in beads),
        demands=(Demand("deflection", 10.0, "bent"),),
    )
    shell_value = check(panel, Layout(t, beads), mesh_level=grade, mesh_error=False).demands[0].value
    plate = stiffened_plate(panel, t, beads)
    shipped = rib_stiffness.rib_inertia(beads[0], t)

    def surrogate_value(lag: float) -> float:
        scale = rib_stiffness.full_inertia(die, t) / (1 + (lag / length) ** 2) / shipped
        return replace(plate, weights=plate.weights * scale).respond(tuple(range(len(beads)))).values[0]

    return Strip(die, t, length, shell_value, surrogate_value)


def strips(die: BeadDie, t: float, grade: str) -> tuple[Strip, ...]:
    """The four lengths of one die and gauge."""
    return tuple(strip(die, t, length, grade) for length in LENGTHS)


def best_lag(cases: list[Strip]) -> float:
    """The shear-lag length (mm) with the least sum of squared errors."""

    def miss(lag: float) -> float:
        return sum(case.relative_error(lag) ** 2 for case in cases)

    return float(minimize_scalar(miss, bounds=(0.0, 300.0), method="bounded", options={"xatol": 0.5}).x)


def lines(dies: tuple[BeadDie, ...], grade: str) -> Iterator[str]:
    """The tables, line by line."""
    yield f"surrogate's deflection against the shell's ({grade} mesh), percent, one bead of length L mm in a strip"
    yield f"{'die':4} {'gauge':>5} {'lag':>5}   " + "".join(f"{f'L {length:.0f}':>8}" for length in LENGTHS)
    by_row: dict[tuple[str, float], list[Strip]] = {}
    errors = []
    for die in dies:
        for t in GAUGES:
            cases = strips(die, t, grade)
            by_row.setdefault((die.profile, t), []).extend(cases)
            lag = rib_stiffness.shear_lag_length(die.profile, t)
            found = [case.relative_error(lag) for case in cases]
            errors += found
            yield f"{die.name:4} {t:5.1f} {lag:5.0f}   " + "".join(f"{100 * error:8.1f}" for error in found)
    yield f"all: rms {100 * np.sqrt(np.mean(np.square(errors))):.1f} %, largest {100 * np.abs(errors).max():.1f} %"
    yield ""
    yield "lag, mm, that fits all dies of a profile best (in brackets the table's)"
    for kind in dict.fromkeys(die.profile for die in dies):
        row = [
            f"{t:g} mm: {best_lag(by_row[kind, t]):.0f} ({rib_stiffness.shear_lag_length(kind, t):.0f})" for t in GAUGES
        ]
        yield f"{kind:6} {', '.join(row)}"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--grade", choices=("quick", "normal", "fine"), default="fine")
    parser.add_argument("--die", choices=[die.name for die in DIES], action="append", help="only this die")
    args = parser.parse_args()
    start = time.perf_counter()
    for line in lines(tuple(die for die in DIES if not args.die or die.name in args.die), args.grade):
        print(line, flush=True)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
