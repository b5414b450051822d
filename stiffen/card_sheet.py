"""The shop card on paper, with a small picture of the panel."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from shapely.geometry import LineString

from .card import card
from .flow import LINE, Flow
from .layout import Layout
from .marking import rough_outline, view
from .panel import Panel
from .paper import LEAST, THIN, Book, Box, Page, Style, length
from .scribe import marking
from .strokes import XY, Circle, Label, Line, place
from .verdict import Rival, Verdict

PICTURE = 84.0, 60.0  # mm
PENS = {
    "CUT": Style(0.35),
    "FOLD": THIN,
    "BEAD AXIS": Style(0.7),
    "OTHER FACE": THIN,
    "HOLE PILOT": THIN,
    "RIVET": THIN,
}


def write_card(
    panel: Panel,
    verdict: Verdict,
    path: str | Path,
    rival: Rival | None = None,
    gauges: Sequence[tuple[float, str]] = (),
    paper: str = "a4",
    bound: dict | None = None,
) -> None:
    """The card as PDF, with a small picture; capitals 3 mm high.  paper: "a4" or "letter" (a roll gives A4).

    Written to a temporary name, then renamed.  Raises InputError where the place cannot be written.
    """
    told = card(panel, verdict, rival, gauges, bound)
    with Book(path, told.title) as book:
        flow = Flow(book, paper, f"{told.title}, {panel.material.name}, {verdict.layout.gauge:g} mm")
        flow.title(told.title)
        for alert in told.alerts:
            flow.words(alert, bold=True)
        for number, section in enumerate(told.sections):
            if number == 0:
                flow.y -= LINE
                room = flow.box(*PICTURE)
                _picture(flow.page, room, panel, verdict.layout)
                flow.y += LINE
            if number == 1:
                flow.past()
            flow.section(section)
        flow.close()


def _picture(page: Page, room: Box, panel: Panel, layout: Layout) -> None:
    """A small drawing of the "up" face with the numbers of beads and holes."""
    seen = view(panel, layout)
    drawn = marking(seen, LEAST)
    shapes = [item for item in drawn.items if isinstance(item, Circle | Line) and item.layer in PENS]
    x0, y0, x1, y1 = rough_outline(panel, layout).bounds
    scale = min((room[2] - room[0]) / (x1 - x0), (room[3] - room[1]) / (y1 - y0))
    dx, dy = room[2] - scale * x1, room[3] - scale * y1

    def small(at: XY) -> XY:
        return scale * at[0] + dx, scale * at[1] + dy

    for item in shapes:
        if isinstance(item, Circle):
            page.circle(small(item.at), scale * item.diameter, PENS[item.layer])
        else:
            page.line([small(at) for at in item.points], PENS[item.layer], item.closed)
    labels = []
    for number, bead in enumerate(seen.layout.beads, 1):
        axis = LineString([small(at) for at in bead.path])
        spots = [axis.interpolate(share, normalized=True) for share in (0.5, 0.35, 0.65, 0.2, 0.8)]
        labels.append(Label("", f"{number}", axis, tuple((spot.x, spot.y, 0.0) for spot in spots)))
    for number, hole in enumerate(seen.layout.holes, 1):
        labels.append(Label("", f"H{number}", LineString(), ((*small(hole.at), 0.0),)))
    for lines in place(labels, [], LEAST, free=True).values():
        for words in lines:
            (x, y), half = words.at, length(words.text) / 2 + 0.5
            page.fill(
                [(x - half, y - 0.6), (x + half, y - 0.6), (x + half, y + LEAST + 0.6), (x - half, y + LEAST + 0.6)]
            )
            page.text((x, y), words.text, bold=words.text.isdigit(), align="center")
