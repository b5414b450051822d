"""The shop card on paper, with a small picture of the panel."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from shapely.geometry import LineString, Point, Polygon, box

from stiffen.model.explanation import Explanation
from stiffen.model.outcomes import GaugeOutcome
from stiffen.model.panel import Panel
from stiffen.model.results import BenchMargin, FlatSheetBaseline, Proposal, Verdict
from stiffen.output.drawing.bench_view import FaceView, face_view
from stiffen.output.drawing.face_marking import build_marking, positions_around
from stiffen.output.drawing.folded_view import draw_folded, folded_view
from stiffen.output.drawing.label_placement import place_labels
from stiffen.output.drawing.pdf import MIN_CAPITAL_HEIGHT, PAPER_SIZES, THIN_PEN, DrawingSurface, Pen, printed_width
from stiffen.output.drawing.primitives import TEXT_CLEARANCE, XY, Circle, Label, Line
from stiffen.shop.process_plan import ProcessPlan, plan_for

from .card_sections.fold_section import FOLDS_TITLE
from .shop_card import card

MAX_PICTURE_SIZE = 84.0, 54.0  # mm
FOLDED_WIDTH = 80.0  # mm, of the picture of the folded part
FOLDED_HEIGHT, FOLDED_HEIGHT_OF_MANY_HOLES = 46.0, 28.0  # mm; a card with many holes has less room
MANY_HOLES = 24
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
    *,
    plan: ProcessPlan | None = None,
    flat_baseline: FlatSheetBaseline | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    explanation: Explanation | None = None,
    proposals: Sequence[Proposal] = (),
    bench_margin: BenchMargin | None = None,
    paper: str = "a4",
) -> None:
    """Write the card as PDF, with a small picture; then pages with a sketch for each step.  Capitals are 3 mm or more.

    plan, flat_baseline, gauges, explanation, proposals, bench_margin: see `card`.  paper: "a4" or "letter"; "roll"
    gives A4.  The file is written under a temporary name, then renamed.  Raises InputError if it cannot be written.
    """
    from .bench_pictures import picture_pages
    from .page_flow import Drawing, write_pages

    plan = plan_for(panel, verdict.layout, plan)
    content = card(
        panel, verdict, plan=plan, flat_baseline=flat_baseline, gauges=gauges, explanation=explanation,
        proposals=proposals, bench_margin=bench_margin,
    )  # fmt: skip
    view = face_view(panel, verdict.layout, plan=plan)
    size = _picture_size(view)
    folded = folded_view(panel, plan.layout)
    is_crowded = len(plan.layout.holes) > MANY_HOLES
    folded_size = FOLDED_WIDTH, FOLDED_HEIGHT_OF_MANY_HOLES if is_crowded else FOLDED_HEIGHT
    write_pages(
        path,
        content.title,
        content.sections,
        footer=f"{content.title}, {panel.material.name}, {verdict.layout.gauge:g} mm",
        alerts=content.alerts,
        picture=Drawing(*size, lambda surface: _draw_picture(surface, size, view)),
        beside={FOLDS_TITLE: Drawing(*folded_size, lambda surface: draw_folded(surface, folded_size, folded))}
        if folded
        else None,
        drawings=picture_pages(panel, plan, PAPER_SIZES.get(paper, PAPER_SIZES["a4"])),
        paper=paper,
    )


def _picture_size(view: FaceView) -> XY:
    """Width and height, mm: the full width, and no higher than the sheet needs."""
    x0, y0, x1, y1 = view.rough_outline.bounds
    width, max_height = MAX_PICTURE_SIZE
    return width, min(max_height, width * (y1 - y0) / (x1 - x0))


def _draw_picture(surface: DrawingSurface, size: XY, view: FaceView) -> None:
    """Draw the "up" face, small, with the numbers of beads and holes."""
    width, height = size
    x0, y0, x1, y1 = view.rough_outline.bounds
    scale = min(width / (x1 - x0), height / (y1 - y0))
    dx, dy = width - scale * x1, height - scale * y1

    def reduced(at: XY) -> XY:
        return scale * at[0] + dx, scale * at[1] + dy

    items: list[Circle | Line] = []
    for item in build_marking(view, MIN_CAPITAL_HEIGHT).items:
        if isinstance(item, Circle) and item.layer in PICTURE_PENS:
            items.append(Circle(item.layer, reduced(item.at), scale * item.diameter))
        elif isinstance(item, Line) and item.layer in ("CUT", "FOLD", "RIVET"):
            items.append(Line(item.layer, tuple(map(reduced, item.points)), item.closed))
    for bead in view.layout.beads:
        layer = "BEAD AXIS" if view.is_rolled_here(bead) else "OTHER FACE"
        items.append(Line(layer, tuple(map(reduced, bead.path))))
    for item in items:
        if isinstance(item, Circle):
            surface.circle(item.at, item.diameter, PICTURE_PENS[item.layer])
        else:
            surface.line(item.points, PICTURE_PENS[item.layer], item.closed)
    numbers = place_labels(_bead_labels(view, reduced), [], MIN_CAPITAL_HEIGHT, require_clear=True)
    obstacles = [item.shape.buffer(TEXT_CLEARANCE) for item in items]
    obstacles += [text.footprint for lines in numbers.values() for text in lines]
    obstacles += [Polygon([reduced(at) for at in cutout.ring]) for cutout in view.panel.cutouts]
    hole_labels = _hole_labels(view, reduced, scale)
    window = box(0.0, 0.0, width, height)
    names = place_labels(hole_labels, obstacles, MIN_CAPITAL_HEIGHT, window=window, require_clear=True)
    if 2 * len(names) < len(view.layout.holes):  # a few names among many holes confuse more than they help
        names = {}
    for text in (text for lines in (*numbers.values(), *names.values()) for text in lines):
        is_number = text.text.isdigit()
        if is_number:
            (x, y), half = text.at, printed_width(text.text, bold=True) / 2 + 0.5
            surface.fill(box(x - half, y - 0.6, x + half, y + MIN_CAPITAL_HEIGHT + 0.6).exterior.coords[:-1])
        surface.text(text.at, text.text, bold=is_number, rotation=text.rotation, align="center")


def _bead_labels(view: FaceView, reduced: Callable[[XY], XY]) -> Iterator[Label]:
    """The numbers of the beads, on their axes."""
    for number, bead in enumerate(view.layout.beads, 1):
        axis = LineString([reduced(at) for at in bead.path])
        points = [axis.interpolate(fraction, normalized=True) for fraction in (0.5, 0.35, 0.65, 0.2, 0.8)]
        yield Label("", f"{number}", axis, tuple((point.x, point.y, 0.0) for point in points))


def _hole_labels(view: FaceView, reduced: Callable[[XY], XY], scale: float) -> Iterator[Label]:
    """The names of the holes: inside if there is room, else so close beside that they cannot be read as another's."""
    for number, hole in enumerate(view.layout.holes, 1):
        at, name = reduced(hole.at), f"H{number}"
        beside = positions_around(at, scale * hole.die.pilot / 2, name, MIN_CAPITAL_HEIGHT)
        yield Label("", name, Point(at), ((*at, 0.0), *beside[: len(beside) // 2]))
