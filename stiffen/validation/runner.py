"""The validation table of the shell model, small and large deflections: python -m stiffen.validate [--short]."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator

from . import beams, corrugation, large, panels, plate_modes, plates, shells
from .case import Reference

REFERENCES: tuple[Reference, ...] = (
    *plates.REFERENCES,
    *plate_modes.REFERENCES,
    *beams.REFERENCES,
    *shells.REFERENCES,
    *corrugation.REFERENCES,
    *panels.REFERENCES,
    *large.REFERENCES,
)

Measured = list[tuple[Reference, float]]


def measure(references: Iterable[Reference] = REFERENCES) -> Measured:
    """Every case with our own value."""
    return [(r, r.compute()) for r in references]


def detail_table(measured: Measured) -> Iterator[str]:
    """The long table, two lines a case: known value, ours, difference, tolerance; then source and reasons."""
    group = ""
    for r, value in measured:
        if r.group != group:
            group = r.group
            yield f"\n{group}\n{'case':<70} {'known':>11} {'ours':>11} {'difference':>10} {'allowed':>8}"
        outside = "" if r.is_within_tolerance(value) else "  OUTSIDE"
        difference = f"{r.difference(value):>+10.3%} {r.tolerance:>8.2g}{outside}"
        yield f"{r.name:<70} {r.expected:>11.5g} {value:>11.5g} {difference}"
        miss = f"; known miss: {r.known_miss}" if r.known_miss else ""
        yield f"    {r.kind}: {r.source}; {r.tolerance_reason}{miss}"


def summary_table(measured: Measured) -> Iterator[str]:
    """The short table, one line a group: number of cases, their kinds, largest difference apart from known misses."""
    groups: dict[str, Measured] = {}
    for r, value in measured:
        groups.setdefault(r.group, []).append((r, value))
    yield f"{'group':<30} checks published recomputed from memory largest difference known misses"
    for group, pairs in groups.items():
        kinds = [r.kind for r, _ in pairs]
        differences = [abs(r.difference(value)) for r, value in pairs if not r.known_miss]
        yield (
            f"{group:<30} {len(pairs):>6} {kinds.count('published'):>9} {kinds.count('recomputed'):>10} "
            f"{kinds.count('from memory'):>11} "
            f"{max(differences, default=0.0):>18.2%} {len(pairs) - len(differences):>12}"
        )
    failed = [r.name for r, _ in failures(measured)]
    yield f"{len(measured)} checks; outside tolerance, apart from known misses: {', '.join(failed) or 'none'}"


def failures(measured: Measured) -> Measured:
    """Cases outside their tolerance that are not known misses."""
    return [(r, value) for r, value in measured if not r.known_miss and not r.is_within_tolerance(value)]


def main(argv: list[str] | None = None) -> int:
    """Write the table to stdout; returns 1 if a case fails, else 0."""
    parser = argparse.ArgumentParser(
        prog="python -m stiffen.validate", description="The shell model against known values."
    )
    parser.add_argument("--short", action="store_true", help="one line a group")
    table = summary_table if parser.parse_args(argv).short else detail_table
    measured = measure()
    sys.stdout.write("\n".join(table(measured)) + "\n")
    return int(bool(failures(measured)))
