"""The shop card on paper, with a small picture of the panel."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from shapely.geometry import LineString, Point, Polygon, box

from stiffen.model.outcomes import BoundRecord, GaugeOutcome
from stiffen.model.panel import Panel
from stiffen.model.results import FlatSheetBaseline, Verdict
from stiffen.output.drawing.bench_view import FaceView, face_view
from stiffen.output.drawing.face_marking import build_marking, positions_around
from stiffen.output.drawing.label_placement import place_labels
from stiffen.output.drawing.pdf import MIN_CAPITAL_HEIGHT, THIN_PEN, Box, Page, PdfDocument, Pen, printed_width
from stiffen.output.drawing.primitives import TEXT_CLEARANCE, XY, Circle, Label, Line
from stiffen.shop.process_plan import ProcessPlan, plan_for

from .page_flow import LINE, Flow
from .shop_card import card

MAX_PICTURE_SIZE = 84.0, 54.0  # mm, at most
PICTURE_PENS = {
    "CUT": Pen(0.35),
    "FOLD": THIN_PEN,
    "BEAD AXIS": Pen(0.7),
    "OTHER FACE": Pen(0.5, (2.0, 1.2)),
    "HOLE PILOT": THIN_PEN,
    "RIVET": THIN_PEN,
}


def write_card(
    panel: Panel,
    verdict: Verdict,
    path: str | Path,
    flat_baseline: FlatSheetBaseline | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    paper: str = "a4",
    bound: BoundRecord | None = None,
    plan: ProcessPlan | None = None,
) -> None:
    """The card as PDF, with a small picture; capitals 3 mm high.  paper: "a4" or "letter" (a roll gives A4).

    Written to a temporary name, then renamed.  Raises InputError where the place cannot be written.
    """
    plan = plan_for(panel, verdict.layout, plan)
    told = card(panel, verdict, flat_baseline, gauges, bound, plan)
    seen = face_view(panel, verdict.layout, plan=plan)
    with PdfDocument(path, told.title) as book:
        flow = Flow(book, paper, f"{told.title}, {panel.material.name}, {verdict.layout.gauge:g} mm")
        flow.title(told.title)
        for alert in told.alerts:
            flow.words(alert, bold=True)
        for number, section in enumerate(told.sections):
            if number == 0:
                flow.y -= LINE
                _picture(flow.page, flow.box(*_size(seen)), seen)
                flow.y += LINE
            if number == 1:
                flow.past()
            flow.section(section)
        flow.close()


def _size(seen: FaceView) -> XY:
    """Width and height of the picture: as large as PICTURE lets it be, no higher than the sheet makes it."""
    x0, y0, x1, y1 = seen.rough_outline.bounds
    wide, high = MAX_PICTURE_SIZE
    return wide, min(high, wide * (y1 - y0) / (x1 - x0))


def _picture(page: Page, room: Box, seen: FaceView) -> None:
    """A small drawing of the "up" face with the numbers of beads and holes."""
    x0, y0, x1, y1 = seen.rough_outline.bounds
    scale = min((room[2] - room[0]) / (x1 - x0), (room[3] - room[1]) / (y1 - y0))
    dx, dy = room[2] - scale * x1, room[3] - scale * y1

    def small(at: XY) -> XY:
        return scale * at[0] + dx, scale * at[1] + dy

    items: list[Circle | Line] = []
    for item in build_marking(seen, MIN_CAPITAL_HEIGHT).items:
        if isinstance(item, Circle) and item.layer in PICTURE_PENS:
            items.append(Circle(item.layer, small(item.at), scale * item.diameter))
        elif isinstance(item, Line) and item.layer in ("CUT", "FOLD", "RIVET"):
            items.append(Line(item.layer, tuple(map(small, item.points)), item.closed))
    for bead in seen.layout.beads:
        items.append(Line("BEAD AXIS" if seen.is_rolled_here(bead) else "OTHER FACE", tuple(map(small, bead.path))))
    for item in items:
        if isinstance(item, Circle):
            page.circle(item.at, item.diameter, PICTURE_PENS[item.layer])
        else:
            page.line(item.points, PICTURE_PENS[item.layer], item.closed)
    numbers = place_labels(_bead_labels(seen, small), [], MIN_CAPITAL_HEIGHT, require_clear=True)
    taken = [item.shape.buffer(TEXT_CLEARANCE) for item in items]
    taken += [words.footprint for lines in numbers.values() for words in lines]
    taken += [Polygon([small(at) for at in cutout.ring]) for cutout in seen.panel.cutouts]
    names = place_labels(
        _hole_labels(seen, small, scale), taken, MIN_CAPITAL_HEIGHT, window=box(*room), require_clear=True
    )
    if 2 * len(names) < len(seen.layout.holes):  # a few names in a crowd ask more than they tell
        names = {}
    for words in (words for lines in (*numbers.values(), *names.values()) for words in lines):
        (x, y), half = words.at, printed_width(words.text, bold=True) / 2 + 0.5
        if words.text.isdigit():
            page.fill(box(x - half, y - 0.6, x + half, y + MIN_CAPITAL_HEIGHT + 0.6).exterior.coords[:-1])
        page.text((x, y), words.text, bold=words.text.isdigit(), rotation=words.rotation, align="center")


def _bead_labels(seen: FaceView, small: Callable[[XY], XY]) -> Iterator[Label]:
    """The numbers of beads, on their axes."""
    for number, bead in enumerate(seen.layout.beads, 1):
        axis = LineString([small(at) for at in bead.path])
        spots = [axis.interpolate(share, normalized=True) for share in (0.5, 0.35, 0.65, 0.2, 0.8)]
        yield Label("", f"{number}", axis, tuple((spot.x, spot.y, 0.0) for spot in spots))


def _hole_labels(seen: FaceView, small: Callable[[XY], XY], scale: float) -> Iterator[Label]:
    """The names of holes, inside where there is room, else close beside: further off they seem to name another."""
    for number, hole in enumerate(seen.layout.holes, 1):
        at, words = small(hole.at), f"H{number}"
        beside = positions_around(at, scale * hole.die.pilot / 2, words, MIN_CAPITAL_HEIGHT)
        yield Label("", words, Point(at), ((*at, 0.0), *beside[: len(beside) // 2]))
