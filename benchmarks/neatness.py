"""Distinct dimensions that a person must measure: the layouts of version 0.1.0 beside those of today's search.

    python benchmarks/neatness.py [NAME ...] [--effort quick] [--mesh quick]

NAME: an example, or the start of a panel's name in `panels.py`.  One line a layout: gauge, mass, minutes, beads,
holes, dimensions, and how many of these belong to what the panel file fixes, which no search changes.  The layouts of
0.1.0 lie in tests/kept/layouts and in panels_in_0_1_0.json; its search put holes wherever they saved mass, so it is to
be compared with the lightest.  Searches use all cores.
"""

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import panels

import stiffen
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.optimise.candidates.straight_beads import fixed_beads_and_holes
from stiffen.shop import process_plan
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions

ROOT = Path(__file__).parents[1]
KEPT = ROOT / "tests" / "kept" / "layouts"
OF_PANELS = json.loads((Path(__file__).parent / "panels_in_0_1_0.json").read_text(encoding="utf-8"))


def before_and_panel(name):
    """The panel as version 0.1.0 read it, with its layout of then, and the panel as it is read now."""
    if (KEPT / f"{name}.json").exists():
        return *stiffen.read_layout(KEPT / f"{name}.json"), stiffen.read_panel(ROOT / "examples" / f"{name}.toml")
    panel = next(one for one in panels.EIGHT if one.name.startswith(name))
    kept, tools = OF_PANELS[panel.name], panel.tools
    bead_dies, hole_dies = ({die.name: die for die in dies} for dies in (tools.bead_dies, tools.hole_dies))
    beads = tuple(Bead(bead_dies[die], tuple(map(tuple, path)), side) for die, side, path in kept["beads"])
    holes = tuple(Hole(hole_dies[die], tuple(at), side) for die, side, at in kept["holes"])
    return panel, Layout(kept["gauge"], beads, holes), panel


def row(panel, layout, name):
    """The figures of one layout; returns the dimensions that the search made."""
    dimensions = distinct_dimensions(panel, layout).count
    own = distinct_dimensions(panel, Layout(layout.gauge, *fixed_beads_and_holes(panel))).count
    print(
        f"  {name:28} {layout.gauge:4g} mm {panel.mass(layout):7.3f} kg {process_plan.minutes(panel, layout):5.0f} min "
        f"{len(layout.beads):3} beads {len(layout.holes):3} holes {dimensions:4} dimensions"
        + (f", {own} of them fixed by the file" if own else ""),
        flush=True,
    )
    return dimensions - own


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", default=[*sorted(path.stem for path in KEPT.glob("*.json")), *OF_PANELS])
    parser.add_argument("--effort", default="normal")
    parser.add_argument("--mesh", default="normal")
    args = parser.parse_args()
    for name in args.names:
        print(name)
        then, layout, panel = before_and_panel(name)
        before = row(then, layout, "0.1.0")
        with ProcessPoolExecutor() as executor:
            result = stiffen.search(panel, effort=args.effort, mesh_level=args.mesh, executor=executor)
        for proposal in result.proposals:
            after = row(panel, proposal.verdict.layout, proposal.name)
            print(f"  {'':28} {after} of the search's own, {before} in 0.1.0")


if __name__ == "__main__":
    main()
