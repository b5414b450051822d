"""Flared holes: their dies, cutters and centres."""

from __future__ import annotations

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel
from stiffen.model.tools import HoleDie
from stiffen.output.drawing.bench_view import number_ranges
from stiffen.shop import flared_holes

from ..sections import Table
from .value_texts import datum_xy


def hole_tables(panel: Panel, layout: Layout) -> list[Table]:
    """A table of the dies and faces with their holes, then the centre of each hole."""
    if not layout.holes:
        return []
    alike: dict[tuple[HoleDie, str], list[int]] = {}
    for number, hole in enumerate(layout.holes, 1):
        alike.setdefault((hole.die, hole.side), []).append(number)
    dies = [
        (
            die.name,
            side,
            f"{len(numbers)}",
            number_ranges([("H", number) for number in numbers]),
            f"{round(die.cut_diameter, 1):g}",
            _pilot_cutter(panel, die, layout.gauge),
            f"{die.finished:g}",
            f"{die.flange:g}",
            f"{die.rise:g}",
        )
        for (die, side), numbers in alike.items()
    ]
    head = ("die", "face", "holes", "which", "cut dia.", "with", "opening", "flare dia.", "rise")
    places = [(f"H{number}", *datum_xy(panel, hole.at)) for number, hole in enumerate(layout.holes, 1)]
    return [Table(head, tuple(dies), (2, 4, 6, 7, 8)), Table(("hole", "X", "Y"), tuple(places), (1, 2))]


def _pilot_cutter(panel: Panel, die: HoleDie, t: float) -> str:
    """The cutter whose size is nearest to the pilot hole and keeps the lip within what the sheet stands."""
    if die.draw_bolt:
        return "drill for bolt"
    most = flared_holes.max_lip_strain(panel.material, t)
    cuts = flared_holes.best_cuts(die, panel.tools.cutters, most)
    return f"{cuts[0].kind} {cuts[0].diameter:g}" if cuts else "-"
