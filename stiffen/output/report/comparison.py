"""Layouts side by side: one table, and sentences on how each differs from the first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from stiffen.model.panel import Panel
from stiffen.model.results import DemandResult, Verdict
from stiffen.output.drawing.bench_view import plural
from stiffen.shop import process_plan

from .card_sections.value_texts import MASS_RESOLUTION, mass_text

MAX_LAYOUTS = 6
MAX_TITLE_CHARS = 14  # characters of a title over a column
SAME_VALUE_TOLERANCE = 0.01  # relative difference up to which two values count as the same


@dataclass(frozen=True)
class Entry:
    """An evaluated layout with a short title."""

    title: str
    panel: Panel
    verdict: Verdict

    @property
    def minutes(self) -> float:
        """Bench time, minutes."""
        return process_plan.minutes(self.panel, self.verdict.layout)

    @property
    def missed(self) -> list[str]:
        """Labels of the demands that are not met."""
        return [one.label for one in self.verdict.demands if not one.met]

    def demand(self, label: str) -> DemandResult | None:
        """The demand of that label, or None."""
        return next((one for one in self.verdict.demands if one.label == label), None)


def demand_labels(entries: Sequence[Entry]) -> tuple[str, ...]:
    """Labels of the demands on any of the layouts, in their order."""
    return tuple(dict.fromkeys(one.label for entry in entries for one in entry.verdict.demands))


def shared_limit(entries: Sequence[Entry], label: str) -> float | None:
    """The limit of a demand if it is the same for all layouts that have it, else None."""
    limits = {one.limit for entry in entries if (one := entry.demand(label))}
    return limits.pop() if len(limits) == 1 else None


def comparison_table(entries: Sequence[Entry]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Head and rows of the table: one row a quantity, one column a layout.  "*" marks a demand that is not met.

    Panel and material have rows only if they differ.  If a name is too long for a column, `legend` lists all names.
    """
    short = not legend(entries)
    head = (
        "",
        *(f"{number} {entry.title}" if short else f"{number}" for number, entry in enumerate(entries, 1)),
        "limit",
    )
    layouts = [entry.verdict.layout for entry in entries]
    names = [
        ("panel", *(entry.panel.name for entry in entries), ""),
        ("material", *(entry.panel.material.name for entry in entries), ""),
    ]
    if not short:
        names = []
    rows = [
        *(row for row in names if len(set(row[1:-1])) > 1),
        ("gauge mm", *(f"{layout.gauge:g}" for layout in layouts), ""),
        ("mass kg", *(f"{entry.verdict.mass_kg:.3f}" for entry in entries), ""),
    ]
    for label in demand_labels(entries):
        found = [entry.demand(label) for entry in entries]
        unit = next(one.unit for one in found if one)
        pad = "  " if any(one and not one.met for one in found) else ""
        rows.append(
            (f"{shortened(label, 24)} {unit}", *(_value_cell(one, pad) for one in found), _limit_cell(entries, label))
        )
    rows += [
        ("beads", *(f"{len(layout.beads)}" for layout in layouts), ""),
        ("to roll m", *(f"{layout.rolled_length / 1000:.2f}" for layout in layouts), ""),
        ("flared holes", *(f"{len(layout.holes)}" for layout in layouts), ""),
        ("minutes", *(f"{entry.minutes:.0f}" for entry in entries), ""),
        ("demands", *(_demands_word(entry.verdict) for entry in entries), ""),
    ]
    return head, rows


def legend(entries: Sequence[Entry]) -> list[str]:
    """One line a layout with number, title, panel and material; empty if all names fit in the table."""
    names = [(entry.title, entry.panel.name, entry.panel.material.name) for entry in entries]
    differ = [i for i in range(3) if i == 0 or len({one[i] for one in names}) > 1]
    if all(len(one[i]) <= MAX_TITLE_CHARS for one in names for i in differ):
        return []
    return [f"{number}  {', '.join(one[i] for i in differ)}" for number, one in enumerate(names, 1)]


def shortened(text: str, max_chars: int) -> str:
    """The text cut to `max_chars` characters, with two dots at the end."""
    return text if len(text) <= max_chars else text[: max_chars - 2] + ".."


def _demands_word(verdict: Verdict) -> str:
    if not verdict.demands:
        return "nothing asked"
    return "met" if verdict.met else "not met"


def _value_cell(demand: DemandResult | None, no_star: str) -> str:
    """A value, then a star if the demand is not met, else `no_star`, which keeps the figures aligned."""
    if demand is None:
        return f"-{no_star}"
    star = no_star if demand.met else " *"
    if not math.isfinite(demand.value):
        return ("no limit" if demand.met else "none") + star
    sign = ">= " if demand.is_lower_bound else ""
    return f"{sign}{demand.value:.3g}{star}" if abs(demand.value) < 1000 else f"{demand.value:.0f}{star}"


def _limit_cell(entries: Sequence[Entry], label: str) -> str:
    """The limit of a demand with its direction; "differ" if the panels set different ones."""
    limit = shared_limit(entries, label)
    one = next(found for entry in entries if (found := entry.demand(label)))
    return "differ" if limit is None else f"{'<=' if one.kind in ('deflection', 'softness') else '>='} {limit:g}"


def differences(entries: Sequence[Entry]) -> list[str]:
    """Sentences: how each layout differs from the first, and which is the lightest that meets its demands."""
    sentences = [_difference(entries[0], other, number) for number, other in enumerate(entries[1:], 2)]
    if len({entry.panel.name for entry in entries}) > 1:
        sentences.append("The layouts are of different panels: compare only what is alike.")
    met = [(entry.verdict.mass_kg, number) for number, entry in enumerate(entries, 1) if entry.verdict.met]
    if not met:
        return [*sentences, "None of them meets all its demands."]
    mass, number = min(met)
    return [
        *sentences,
        f"Lightest that meets all its demands: {number} ({entries[number - 1].title}), {mass_text(mass)}.",
    ]


def _difference(first: Entry, other: Entry, number: int) -> str:
    parts = [_mass_difference(first.verdict.mass_kg, other.verdict.mass_kg)]
    gauges = first.verdict.layout.gauge, other.verdict.layout.gauge
    if gauges[0] != gauges[1]:
        parts.append(f"{gauges[1]:g} mm sheet in place of {gauges[0]:g} mm")
    for label in demand_labels([first, other]):
        parts += _demand_difference(first.demand(label), other.demand(label))
    parts += _work_difference(first, other)
    sentence = f"{number} ({other.title}) against 1 ({first.title}): {'; '.join(parts)}."
    before, after = first.missed, other.missed
    if after:
        also = " (1 misses the same)" if after == before else ""
        sentence += f" It misses {', '.join(after)}{also}."
    elif before:
        sentence += f" It meets all; 1 misses {', '.join(before)}."
    return sentence


def _mass_difference(before: float, after: float) -> str:
    less = before - after
    if abs(less) < MASS_RESOLUTION:
        return "same mass"
    return f"{mass_text(abs(less))} ({100 * abs(less) / before:.0f} %) {'lighter' if less > 0 else 'heavier'}"


def _demand_difference(before: DemandResult | None, after: DemandResult | None) -> list[str]:
    if before is None or after is None or not (math.isfinite(before.value) and math.isfinite(after.value)):
        return []
    if not before.value or before.is_lower_bound or after.is_lower_bound:
        return []
    change = after.value / before.value - 1
    if abs(change) < SAME_VALUE_TOLERANCE:
        return [f"{after.label} the same"]
    unit = "" if after.unit == "x" else f" {after.unit}"
    size = f"{100 * abs(change):.0f} %" if abs(change) < 2 else f"{after.value / before.value:.1f} times"
    more = "more" if change > 0 else "less"
    difference = f"{size} {more}" if abs(change) < 2 else size
    return [f"{after.label} {difference} ({after.value:.3g} for {before.value:.3g}{unit})"]


def _work_difference(first: Entry, other: Entry) -> list[str]:
    """Beads, holes, rolled length and minutes, more or less than for the first."""
    parts = []
    a, b = first.verdict.layout, other.verdict.layout
    for noun, before, after in (("bead", a.beads, b.beads), ("flared hole", a.holes, b.holes)):
        step = len(after) - len(before)
        if step:
            parts.append(f"{plural(range(abs(step)), noun)} {'more' if step > 0 else 'fewer'}")
    rolled = (b.rolled_length - a.rolled_length) / 1000
    if abs(rolled) >= 0.005:
        parts.append(f"{abs(rolled):.2f} m {'more' if rolled > 0 else 'less'} to roll")
    minutes = round(other.minutes) - round(first.minutes)
    if minutes:
        parts.append(f"{plural(range(abs(minutes)), 'minute')} {'more' if minutes > 0 else 'less'}")
    return parts
