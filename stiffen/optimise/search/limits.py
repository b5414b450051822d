"""Limits of the panel on what a layout may cost at the bench, and the margin that it keeps."""

from __future__ import annotations

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.shop import process_plan


def within_limits(panel: Panel, layout: Layout) -> bool:
    """True if a layout keeps the panel's limits on beads, holes, dies and minutes at the bench."""
    if not panel.within_count_limits(layout):
        return False
    return panel.minutes_at_most is None or process_plan.minutes(panel, layout) <= panel.minutes_at_most


def keeps_margin(panel: Panel, verdict: Verdict) -> bool:
    """True if a verdict meets every demand with at least `Panel.margin` to spare."""
    return verdict.met and all(demand.margin >= panel.margin for demand in verdict.demands)


def margin_limit(panel: Panel) -> float:
    """Utilisation up to which every demand keeps `Panel.margin`."""
    return 1 - panel.margin


def price(panel: Panel, mass_kg: float, minutes: float, goal: str) -> float:
    """What a goal asks to be least: minutes, grams, or grams and `Panel.grams_per_minute` for each minute."""
    if goal == "quickest":
        return minutes
    return 1000 * mass_kg + (panel.grams_per_minute * minutes if goal == "recommended" else 0.0)


def cost(panel: Panel, layout: Layout) -> float:
    """Price of a layout for goal "recommended", g."""
    return price(panel, panel.mass(layout), process_plan.minutes(panel, layout), "recommended")
