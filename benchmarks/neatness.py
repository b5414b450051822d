"""Distinct dimensions that a person must measure: the layouts of version 0.1.0 beside those of today's search.

    python benchmarks/neatness.py [NAME ...] [--effort quick]

One line a layout: gauge, mass, minutes, beads, holes, dimensions, and how many of these belong to what the panel file
fixes, which no search changes.  The layouts of 0.1.0 lie in tests/kept/layouts; its search put holes wherever they
saved mass, so it is to be compared with the lightest.  Searches use all cores.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import stiffen
from stiffen.model.layout import Layout
from stiffen.optimise.candidates.straight_beads import fixed_beads_and_holes
from stiffen.shop import process_plan
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions

ROOT = Path(__file__).parents[1]
KEPT = ROOT / "tests" / "kept" / "layouts"


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
    parser.add_argument("names", nargs="*", default=sorted(path.stem for path in KEPT.glob("*.json")))
    parser.add_argument("--effort", default="normal")
    args = parser.parse_args()
    for name in args.names:
        print(name)
        before = row(*stiffen.read_layout(KEPT / f"{name}.json"), "0.1.0")
        panel = stiffen.read_panel(ROOT / "examples" / f"{name}.toml")
        with ProcessPoolExecutor() as executor:
            result = stiffen.search(panel, effort=args.effort, executor=executor)
        for proposal in result.proposals:
            after = row(panel, proposal.verdict.layout, proposal.name)
            print(f"  {'':28} {after} of the search's own, {before} in 0.1.0")


if __name__ == "__main__":
    main()
