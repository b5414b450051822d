"""Whether a looser question ever gets a worse answer: five panels, at most 1 to 6 beads, of one die and of two.

An answer is told by its gauge and price: grams, and `Panel.grams_per_minute` for each minute; for goal "stiffest", and
where demands are missed, by its worst utilisation.  "worse" stands where a tighter question has a better answer by more
than 1 %, the tolerance of the search.

    python benchmarks/looser.py [--effort quick] [--workers 2] [--panel NAME]
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

from panels import EIGHT, LARGE_DEFLECTION

from stiffen.model.panel import Panel
from stiffen.model.results import SearchResult
from stiffen.optimise.search.driver import search_all
from stiffen.optimise.search.limits import cost
from stiffen.optimise.search.settings import DEFAULT_SETTINGS

LID, _, TRAPEZIUM, DISC, STRIP = EIGHT[:5]
TRAY = LARGE_DEFLECTION[3]
ASKED = (LID, TRAPEZIUM, DISC, TRAY, replace(STRIP, goal="stiffest", gauges=(0.8,), name=f"{STRIP.name}, stiffest"))
BEADS, DIES = (1, 2, 3, 4, 5, 6), (1, 2)


def badness(panel: Panel, result: SearchResult) -> tuple[int, float]:
    """Smaller is better: 0 and the price of an answer that meets the demands, or 1 and its worst utilisation."""
    verdict = result.verdict
    if not verdict.met or panel.goal == "stiffest":
        return 1, verdict.utilisation
    return 0, cost(panel, verdict.layout)


def is_worse(looser: tuple[int, float], tighter: tuple[int, float]) -> bool:
    """Whether the answer to a looser question is worse by more than the tolerance of the search."""
    return looser[0] > tighter[0] or looser[1] > (1 + DEFAULT_SETTINGS.mass_tolerance) * tighter[1]


def main() -> None:
    """Print a table, a row a panel and number of dies."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--effort", default="quick", choices=("quick", "normal", "thorough"))
    parser.add_argument("--workers", type=int, default=2)
    names = [panel.name for panel in ASKED]
    parser.add_argument("--panel", action="append", choices=names, metavar="NAME", help="may be repeated")
    options = parser.parse_args()
    questions = [(beads, dies) for dies in DIES for beads in BEADS]
    with ProcessPoolExecutor(options.workers) as executor:
        for panel in ASKED:
            if options.panel and panel.name not in options.panel:
                continue
            asked = [replace(panel, beads_at_most=beads, dies_at_most=dies) for beads, dies in questions]
            results = search_all(asked, effort=options.effort, mesh_level="quick", executor=executor)
            found = {
                question: (result.verdict.layout.gauge, badness(one, result))
                for question, one, result in zip(questions, asked, results, strict=True)
            }
            for dies in DIES:
                texts = []
                for beads in BEADS:
                    gauge, own = found[beads, dies]
                    tighter = [found[b, d][1] for b, d in questions if b <= beads and d <= dies]
                    told = f"{own[1]:.0f} g" if own[0] == 0 else f"u {own[1]:.3f}"
                    texts.append(f"{gauge:g} {told}{' worse' if any(is_worse(own, one) for one in tighter) else ''}")
                print(f"{panel.name:32s} {dies} | " + " | ".join(f"{text:>16s}" for text in texts), flush=True)


if __name__ == "__main__":
    main()
