"""The report as one web page.

It holds the content of the card and the pictures, in the order of the questions of who reads it: does it do what is
asked, what does it weigh, what do I make, what does it look like deflected, what else was possible.  Each table stands
there once.  A bead or hole in the drawing shows its sizes when it is pointed at or touched.  The page loads no other
file and runs no script.  Its template is data/report.html.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from dataclasses import replace
from importlib import resources
from itertools import pairwise
from pathlib import Path

import numpy as np
from shapely.geometry import LineString, Polygon

from stiffen.io.files import atomic_write
from stiffen.model.explanation import Explanation
from stiffen.model.layout import Bead, Hole
from stiffen.model.outcomes import GaugeOutcome
from stiffen.model.panel import Panel
from stiffen.model.results import BenchMargin, FlatSheetBaseline, Proposal, Verdict
from stiffen.output.drawing.bench_view import datum_corner, face_up, face_view, plural, rolled_faces
from stiffen.output.drawing.folded_view import folded_view
from stiffen.output.drawing.keep_out_marks import KeepOutMark, keep_out_marks
from stiffen.shop.folding.bend_zones import bend_zones
from stiffen.shop.folding.brake import is_round
from stiffen.shop.process_plan import ProcessPlan, plan_for
from stiffen.shop.roller_settings import rolling_depths

from .card_sections.demand_section import DEMAND_HEAD, demand_rows, missed_labels
from .card_sections.sheet_section import mass_comparison
from .card_sections.value_texts import mass_text
from .explanation_sections import THE_OTHER_FACE, WHAT_EACH_ADDS, WHAT_WOULD_HELP, shade_of
from .sections import Table
from .shop_card import TAPE_TITLE, Card, card

FLAT_COLUMN = 3  # place of the flat sheet's value among the columns of the demands
QUESTIONS = {
    "DEMANDS AND RESULTS": "do",
    "IF THE WORK COMES OUT SHORT": "do",
    "MOST LOADED RIVETS AND BOLTS": "do",
    "SHEET": "weigh",
    WHAT_WOULD_HELP: "do",
    WHAT_EACH_ADDS: "other",
    THE_OTHER_FACE: "other",
    "LAYOUTS PROPOSED": "other",
    "OTHER GAUGES": "other",
    "CAUTIONS": "cautions",
}  # which question a section of the card answers
UNTITLED = ("DEMANDS AND RESULTS", "SHEET")  # sections that stand right under their question
DRAWING_MARGIN = 0.04  # of the longer side, around the drawing


def write_page(
    panel: Panel,
    verdict: Verdict,
    path: str | Path,
    *,
    plan: ProcessPlan | None = None,
    flat_baseline: FlatSheetBaseline | None = None,
    flat: Verdict | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    explanation: Explanation | None = None,
    proposals: Sequence[Proposal] = (),
    bench_margin: BenchMargin | None = None,
    pictures: Sequence[tuple[str, Path]] = (),
) -> None:
    """Write the report as HTML, whole or not at all.

    plan, flat_baseline, gauges, explanation, proposals, bench_margin: see `card`.  flat: the verdict of the flat sheet
    of the same gauge, to compare with.  pictures: (caption, PNG file) pairs, embedded in the page.
    Raises InputError if the file cannot be written, OSError if a picture cannot be read.
    """
    text = page(
        panel, verdict, flat_baseline=flat_baseline, flat=flat, gauges=gauges, explanation=explanation,
        proposals=proposals, bench_margin=bench_margin, pictures=pictures, plan=plan,
    )  # fmt: skip
    with atomic_write(path) as fresh:
        fresh.write_text(text, encoding="utf-8")


def page(
    panel: Panel,
    verdict: Verdict,
    *,
    plan: ProcessPlan | None = None,
    flat_baseline: FlatSheetBaseline | None = None,
    flat: Verdict | None = None,
    gauges: Sequence[GaugeOutcome] = (),
    explanation: Explanation | None = None,
    proposals: Sequence[Proposal] = (),
    bench_margin: BenchMargin | None = None,
    pictures: Sequence[tuple[str, Path]] = (),
) -> str:
    """The page as HTML text; see `write_page`."""
    from jinja2 import Environment, StrictUndefined

    plan = plan_for(panel, verdict.layout, plan)
    verdict = replace(verdict, layout=plan.layout)
    bead_rows = _bead_rows(panel, plan)
    source = resources.files("stiffen").joinpath("data/report.html").read_text(encoding="utf-8")
    content = card(
        panel, verdict, plan=plan, flat_baseline=flat_baseline, gauges=gauges, explanation=explanation,
        proposals=proposals, bench_margin=bench_margin,
    )  # fmt: skip
    template = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return template.from_string(source).render(
        panel=panel,
        layout=verdict.layout,
        facts=_facts(panel, verdict, flat_baseline, plan),
        met=verdict.met and not plan.violations,
        asked=bool(verdict.demands),
        missed=missed_labels(verdict),
        drawing=_drawing(panel, verdict, bead_rows, explanation),
        folded=_folded_drawing(panel, verdict),
        demands=_demand_table(verdict, flat),
        flat_note=f"Flat: the sheet of the same gauge, {mass_text(flat.mass_kg)}." if flat and verdict.demands else "",
        beads=bead_rows,
        shaded=bool(explanation and explanation.parts),
        holes=verdict.layout.holes,
        pictures=[(caption, base64.b64encode(Path(file).read_bytes()).decode()) for caption, file in pictures],
        card=content,
        parts=_parts(content),
    )


def _facts(
    panel: Panel, verdict: Verdict, flat_baseline: FlatSheetBaseline | None, plan: ProcessPlan
) -> list[tuple[str, str]]:
    layout = verdict.layout
    made = [plural(things, noun) for things, noun in ((layout.beads, "bead"), (layout.holes, "flared hole")) if things]
    facts = [
        ("sheet", f"{panel.material.name}, {layout.gauge:g} mm"),
        ("mass", mass_text(verdict.mass_kg)),
        ("to make", ", ".join(made) or "the flat sheet"),
        *([("to roll", f"{layout.rolled_length / 1000:.2f} m")] if layout.beads else []),
        ("at the bench", f"about {plan.minutes:.0f} minutes"),
    ]
    if flat_baseline:
        facts.append(("compared with flat", mass_comparison(verdict, flat_baseline)))
    return facts


def _demand_table(verdict: Verdict, flat: Verdict | None) -> dict:
    """The table of demands of the card, with the value of the flat sheet of the same gauge beside the value found.

    head: texts of the columns.  rows: pairs of the texts of a demand and whether it is met.
    """
    rows, head = demand_rows(verdict), list(DEMAND_HEAD)
    right_aligned = [1, 2, 3, 6, 7, 8]
    if flat is not None:
        beside = {row[0]: row[2] for row in demand_rows(flat)}
        head.insert(FLAT_COLUMN, "flat")
        rows = [(*row[:FLAT_COLUMN], beside.get(row[0], "-"), *row[FLAT_COLUMN:]) for row in rows]
        right_aligned = [1, 2, 3, 4, 7, 8, 9]
    met = [demand.met for demand in verdict.demands]
    return {"head": head, "rows": list(zip(rows, met, strict=True)), "right_aligned": right_aligned}


def _parts(content: Card) -> dict[str, list[dict]]:
    """The sections of the card by the question that they answer; a section that is not named here says what to make."""
    parts: dict[str, list[dict]] = {"do": [], "weigh": [], "make": [], "other": [], "cautions": []}
    for number, section in enumerate(content.sections, 1):
        shown = [part for part in section.parts if not (isinstance(part, Table) and part.head == DEMAND_HEAD)]
        if shown and section.title != TAPE_TITLE:  # for the bench: the page has the same places in its other tables
            title = "" if section.title in UNTITLED else section.title
            entry = {"title": title, "parts": shown, "slug": f"card-{number}"}
            parts[QUESTIONS.get(section.title, "make")].append(entry)
    return parts


# ------------------------------------------------------------------------------------------------------------- tables


def _bead_rows(panel: Panel, plan: ProcessPlan) -> list[dict]:
    """Texts of each bead for table and drawing, in rolling order; coordinates from the datum corner, mm.

    The frame side (left or right) is as seen with the face up that lies up while the bead is rolled.
    """
    layout = plan.layout
    seen = {face: face_view(panel, layout, face, plan) for face in rolled_faces(layout)}
    rows: list[dict] = []
    for place, bead in enumerate(layout.beads):
        (x0, y0), (x1, y1) = (_datum_xy(panel, at) for at in (bead.path[0], bead.path[-1]))
        row = {
            "number": place + 1,
            "die": bead.die.name,
            "side": bead.side,
            "start": f"{x0:.1f}, {y0:.1f}",
            "end": "back at start" if bead.closed else f"{x1:.1f}, {y1:.1f}",
            "length": f"{bead.length:.0f}",
            "passes": len(rolling_depths(panel.tools, bead.die, panel.material, layout.gauge)),
            "frame": seen[face_up(layout, bead)].frame_sides[place] or "NEITHER",
        }
        row["told"] = (
            f"bead {row['number']}: die {row['die']}, face {row['side']}\nstart {row['start']}; end {row['end']}\n"
            f"{row['length']} mm, {row['passes']} passes, {row['frame']} side to the frame"
        )
        rows.append(row)
    return rows


def _hole_row(panel: Panel, number: int, hole: Hole) -> dict:
    x, y = _datum_xy(panel, hole.at)
    pilot = f"{round(hole.die.cut_diameter, 1):g}"
    return {
        "told": f"hole H{number}: die {hole.die.name}, face {hole.side}\ncentre {x:.1f}, {y:.1f}\n"
        f"cut {pilot}, opening {hole.die.finished:g}, flare {hole.die.flange:g} mm",
        "number": f"H{number}",
        "die": hole.die.name,
        "side": hole.side,
        "centre": f"{x:.1f}, {y:.1f}",
        "pilot": pilot,
        "finished": f"{hole.die.finished:g}",
        "flange": f"{hole.die.flange:g}",
    }


def _datum_xy(panel: Panel, at: tuple[float, float]) -> tuple[float, float]:
    x0, y0 = datum_corner(panel)
    return at[0] - x0, at[1] - y0


# ------------------------------------------------------------------------------------------------------------ drawing


def _drawing(panel: Panel, verdict: Verdict, bead_rows: list[dict], explanation: Explanation | None) -> dict:
    """The layout as shapes of an SVG, mm from the datum corner, y downward."""
    x0, y0, x1, y1 = Polygon(panel.outline).bounds
    edge = DRAWING_MARGIN * max(x1 - x0, y1 - y0)

    def outline(*rings: Sequence) -> str:
        parts = [" ".join(f"{x - x0:.2f},{y1 - y:.2f}" for x, y in np.asarray(ring)[:, :2]) for ring in rings]
        return " ".join(f"M {part} Z" for part in parts)

    def spot(at: tuple[float, float]) -> tuple[float, float]:
        return round(at[0] - x0, 2), round(y1 - at[1], 2)

    return {
        "box": f"{-edge:.1f} {-edge:.1f} {x1 - x0 + 2 * edge:.1f} {y1 - y0 + 2 * edge:.1f}",
        "letter": round(0.025 * max(x1 - x0, y1 - y0), 1),
        "sheet": outline(panel.outline, *(cutout.ring for cutout in panel.cutouts)),
        "keep_outs": [
            (outline(*mark.parts), mark.text, mark.name, spot(_middle(mark)))
            for mark in keep_out_marks(panel, verdict.layout)
            if not mark.over_whole_sheet
        ],
        "folds": [(*spot(a), *spot(b)) for line in panel.fold_lines for a, b in pairwise(line)],
        "tangents": [
            (*spot(line.coords[0]), *spot(line.coords[-1]))
            for zone in bend_zones(panel, verdict.layout.gauge)
            if is_round(zone, verdict.layout.gauge)
            for line in (zone.inner, zone.outer)
        ],
        "fasteners": [
            (*spot(at), support.kind, support.diameter) for support in panel.supports for at in support.fasteners()
        ],
        "beads": [
            {**row, **_bead_shape(bead, outline, spot), "shade": shade_of(explanation, bead)}
            for row, bead in zip(bead_rows, verdict.layout.beads, strict=True)
        ],
        "holes": [
            {
                **_hole_row(panel, number, hole),
                "at": spot(hole.at),
                "shade": shade_of(explanation, hole),
                "radii": (hole.die.flange / 2, hole.die.pilot / 2),
            }
            for number, hole in enumerate(verdict.layout.holes, 1)
        ],
    }


def _folded_drawing(panel: Panel, verdict: Verdict) -> dict | None:
    """The folded part as shapes of an SVG, back to front, y downward; None if there is none to show."""
    view = folded_view(panel, verdict.layout)
    if view is None:
        return None
    width, height = view.size
    letter = 0.03 * max(width, height)
    edge = 2.5 * letter

    def spot(at: tuple[float, float]) -> tuple[float, float]:
        return round(at[0], 2), round(height - at[1], 2)

    def path(points: Sequence[tuple[float, float]], end: str = "") -> str:
        return "M " + " ".join(f"{x},{y}" for x, y in map(spot, points)) + end

    numbers = []
    for number, (middle, _) in enumerate(view.folds, 1):
        away = np.subtract(middle, view.up)
        at = np.array(middle) + 1.6 * letter * away / (np.hypot(*away) or 1.0)
        numbers.append((number, *spot((float(at[0]), float(at[1]))), *spot(middle)))
    return {
        "box": f"{-edge:.1f} {-edge:.1f} {width + 2 * edge:.1f} {height + 2 * edge:.1f}",
        "letter": round(letter, 1),
        "up": spot(view.up),
        "faces": [
            {
                "is_up": face.is_up,
                "area": " ".join(path(ring, " Z") for ring in face.rings),
                "edges": " ".join(path(run) for run in face.edges),
                "marks": " ".join(path(run) for run in face.marks),
            }
            for face in view.faces
        ],
        "numbers": numbers,
    }


def _middle(mark: KeepOutMark) -> tuple[float, float]:
    """A point inside the largest part of a keep-out."""
    point = max(map(Polygon, mark.parts), key=lambda part: part.area).representative_point()
    return point.x, point.y


def _bead_shape(bead: Bead, outline: Callable, spot: Callable) -> dict:
    """Band, axis and middle of a bead, as SVG writes them."""
    axis = LineString(bead.path)
    band = axis.buffer(bead.die.width / 2, cap_style="flat")
    middle = axis.interpolate(0.5, normalized=True)
    return {
        "band": outline(band.exterior.coords, *(ring.coords for ring in band.interiors)),
        "axis": " ".join(f"{x},{y}" for x, y in map(spot, bead.path)),
        "middle": spot((middle.x, middle.y)),
    }
