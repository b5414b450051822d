"""The page of the proof: what to measure first, where to push, what to expect, the answer.  On paper and as text."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from shapely.geometry import LineString, Polygon, box

from stiffen.model.panel import Support
from stiffen.output.drawing.bench_view import datum_corner
from stiffen.output.drawing.pdf import MIN_CAPITAL_HEIGHT, THIN_PEN, DrawingSurface, Pen, printed_width
from stiffen.output.report.sections import Section, Table, text_lines
from stiffen.proof.builds import dies_used
from stiffen.proof.measurements import RULER_FROM
from stiffen.proof.proof import Proof

from .answer_words import (
    comparison_table,
    demand_sentence,
    demand_table,
    explanation_lines,
    number,
    state_sentence,
)
from .tap_section import tap_sections

PICTURE_SIZE = 84.0, 62.0  # mm, the largest
PLACES_TITLE = "WHERE TO PUSH"
CAUTION_ALERTS = (
    "Put on no more mass than the page says. Keep feet and hands from under the panel and the cans. Edges are sharp: "
    "wear gloves and eye protection.",
    "A design aid, no approval: parts that hold people, and vehicle and structural parts, need a qualified person.",
)
HOLD_WORDS = {"pinned": "may tilt", "clamped": "may not tilt", "guided": "may sink, but not tilt"}
IN_PLANE_WORDS = {
    "held": "cannot draw in",
    "free": "draws in freely",
    "unknown": "how far it draws in is not known",
    "build": "draws in as the build lets it",
}


def proof_title(proof: Proof) -> str:
    """The title of the page."""
    return f"{proof.panel.name}: proof of the finished panel"


def proof_sections(proof: Proof, folder: str) -> tuple[Section, ...]:
    """The sections of the page.  folder: as the commands on the page name it."""
    sections = [
        *_answer_sections(proof),
        Section("MEASURE FIRST", tuple(_measure_first(proof))),
        Section("HOW IT IS HELD", tuple(_support_lines(proof))),
        *_push_sections(proof),
        *tap_sections(proof, folder),
        Section("ENTER", tuple(_enter_lines(proof, folder))),
    ]
    return tuple(section for section in sections if section.parts)


def proof_text(proof: Proof, folder: str) -> str:
    """The page as plain text."""
    title = proof_title(proof).upper()
    lines = [title, "=" * min(len(title), 100), *text_lines(Section("CAUTIONS", CAUTION_ALERTS))]
    for section in proof_sections(proof, folder):
        lines += ["", *text_lines(section)]
    return "\n".join(lines) + "\n"


def write_proof_page(proof: Proof, path: Path, folder: str, *, paper: str = "a4") -> None:
    """Write the page as PDF.  folder: see `proof_sections`.  Raises InputError if the file cannot be written."""
    from stiffen.output.report.page_flow import Drawing, write_pages

    size = _picture_size(proof)
    picture = Drawing(*size, lambda surface: _draw_places(surface, size, proof))
    write_pages(
        path,
        proof_title(proof),
        proof_sections(proof, folder),
        footer=f"{proof_title(proof)}, {proof.panel.material.name}, {proof.layout.gauge:g} mm",
        alerts=CAUTION_ALERTS,
        beside={PLACES_TITLE: picture},
        paper=paper,
    )


def _answer_sections(proof: Proof) -> Iterator[Section]:
    if proof.answer is None:
        return
    yield Section("MEASURED BESIDE COMPUTED", (state_sentence(proof), comparison_table(proof.answer.comparisons)))
    yield Section("WHAT EXPLAINS IT", tuple(explanation_lines(proof)))
    consequences = proof.answer.consequences
    if consequences:
        table = demand_table(consequences)
        yield Section("WHAT IT MEANS", (demand_sentence(consequences), *((table,) if table else ())))


def _measure_first(proof: Proof) -> Iterator[str]:
    yield (
        "1.\tThe thickness of the sheet, by micrometer, at four places clear of beads and burrs and without paint. "
        f"Nominal: {proof.layout.gauge:g} mm."
    )
    if dies := dies_used(proof.layout):
        depths = ", ".join(f"{die.name} {die.depth:g} mm" for die in dies)
        yield (
            "2.\tThe depth of the beads in the middle of their length: a straight edge across the hollow side, the "
            f"depth rod of a calliper to the bottom. Full depth: {depths}. Two or three beads of each die."
        )
    yield "A push alone does not tell thickness, depth and hold apart. Without these values the answer stays wide."


def _support_lines(proof: Proof) -> Iterator[str]:
    yield (
        "Push the panel as it is fitted, or on a stiff frame on the bench that holds it in the same way, level, up "
        "face up. What is computed:"
    )
    for place, support in enumerate(proof.panel.supports, 1):
        yield f"{place}.\t{_support_words(support)}."
    yield "Fit fasteners as they will be in use. See that the frame does not give: push it and read the dial there."


def _support_words(support: Support) -> str:
    where = "the whole outline" if support.path is None else "a line"
    count = len(support.fasteners())
    kind = {
        "edge": f"an edge along {where}",
        "rest": f"a rest below {where}; the sheet may lift off it",
        "rivets": f"{count} rivets of {support.diameter:g} mm",
        "bolts": f"{count} bolt{'s' if count > 1 else ''} of {support.diameter:g} mm",
    }[support.kind]
    slip = f", after {support.slip:g} mm of slip" if support.slip is not None else ""
    elastic = ", on a springy part" if support.stiffness is not None else ""
    return f"{kind}: the sheet {HOLD_WORDS[support.hold]}, {IN_PLANE_WORDS[support.in_plane]}{slip}{elastic}"


def _push_sections(proof: Proof) -> Iterator[Section]:
    plan = proof.plan
    if plan.why_none:
        yield Section("PUSH", (f"No push: {plan.why_none}.",))
        return
    x0, y0 = datum_corner(proof.panel)
    rows = tuple(
        (place, f"{x - x0:.0f}", f"{y - y0:.0f}", ", ".join(f"{one.kg:g}" for one in plan.pushes if one.place == place))
        for place, (x, y) in plan.places.items()
    )
    yield Section(
        PLACES_TITLE,
        (
            f"On the up face, X and Y from the datum corner, mm. Under the mass lies a block of wood {plan.side:.0f} x "
            f"{plan.side:.0f} mm, centred on the place.",
            Table(("place", "X", "Y", "kg, one after the other"), rows, (1, 2)),
        ),
    )
    yield Section(
        "PUSH",
        (
            "A litre of water is 1 kg. Weigh can or bottle too, and fill it to the mass of the table.",
            f"No mass is above what a demand of the panel asks for ({plan.limited_by}).",
            "1.\tSet the dial gauge below the place, against the sheet, its stand on the floor or on the frame. Where "
            "a ruler will do, measure from a straight edge that does not touch the panel.",
            "2.\tLay down the block. Put the largest mass on once and take it off again: the panel settles. Zero "
            "the dial with the block alone.",
            "3.\tPut on each mass gently, read, take it off, see that the dial comes back to zero. Three times.",
            "4.\tStop if it does not come back, creaks or snaps: do not load the panel again before you know why.",
        ),
    )
    expected = proof.expected
    table = Table(
        ("place", "kg", "expected, mm", "range, mm", "read by", "1st reading", "2nd reading", "3rd reading"),
        tuple(
            (
                push.place,
                f"{push.kg:g}",
                number(float(expected.value[k]), "mm"),
                f"{number(float(expected.low[k]), 'mm')} to {number(float(expected.high[k]), 'mm')}",
                "ruler" if expected.value[k] >= RULER_FROM else "dial",
                *("",) * 3,
            )
            for k, push in enumerate(plan.pushes)
        ),
        (1, 2, 3),
        to_fill_in=True,
    )
    parts = tuple(
        f"{part.name.capitalize()}: {part.words}. At {plan.pushes[-1].name} this changes the deflection by "
        f"{100 * (float(part.low[len(plan.pushes) - 1]) - 1):+.0f} to "
        f"{100 * (float(part.high[len(plan.pushes) - 1]) - 1):+.0f} %."
        for part in expected.parts
    )
    yield Section("WHAT TO EXPECT OF A PUSH", (table, "What leaves the range open, beside 3 % for the model:", *parts))


def _enter_lines(proof: Proof, folder: str) -> Iterator[str]:
    yield "Fill in readings.toml in the folder, then:"
    yield f"stiffen proof {folder} --readings {folder}/readings.toml"
    if proof.plan.pushes:
        push = proof.plan.pushes[-1]
        yield "Or enter values in the command, as many as you like; they are kept and added to:"
        yield (
            f"stiffen proof {folder} --thickness {proof.layout.gauge:g} "
            f"--push {push.place}:{push.kg:g}={number(float(proof.expected.value[len(proof.plan.pushes) - 1]), 'mm')}"
        )


# ------------------------------------------------------------------------------------------------------------- picture


def _picture_size(proof: Proof) -> tuple[float, float]:
    x0, y0, x1, y1 = Polygon(proof.panel.outline).bounds
    width, height = PICTURE_SIZE
    scale = min(width / (x1 - x0), height / (y1 - y0))
    return scale * (x1 - x0) + 1.0, scale * (y1 - y0) + 1.0


def _draw_places(surface: DrawingSurface, size: tuple[float, float], proof: Proof) -> None:
    """Outline, folds, beads, holes, fasteners, and the blocks with their letters, seen on the up face."""
    panel, layout = proof.panel, proof.layout
    x0, y0, x1, _ = Polygon(panel.outline).bounds
    scale = (size[0] - 1.0) / (x1 - x0)

    def spot(at: tuple[float, float]) -> tuple[float, float]:
        return 0.5 + scale * (at[0] - x0), 0.5 + scale * (at[1] - y0)

    surface.line(list(map(spot, panel.outline)), Pen(0.35), closed=True)
    for cutout in panel.cutouts:
        surface.line(list(map(spot, cutout.ring)), Pen(0.35), closed=True)
    for line in panel.fold_lines:
        surface.line(list(map(spot, line)), Pen(0.18, (3.0, 1.0)))
    for bead in layout.beads:
        band = LineString(bead.path).buffer(bead.die.width / 2, cap_style="flat")
        for ring in (band.exterior, *band.interiors):
            surface.line([spot(at) for at in ring.coords], THIN_PEN if bead.side == "up" else Pen(0.18, (1.2, 0.8)))
    for hole in layout.holes:
        surface.circle(spot(hole.at), scale * hole.die.flange, THIN_PEN)
    for support in panel.supports:
        for at in support.fasteners():
            surface.circle(spot(at), max(1.0, scale * support.diameter), THIN_PEN)
    for place, at in proof.plan.places.items():
        (x, y), half = spot(at), max(scale * proof.plan.side / 2, MIN_CAPITAL_HEIGHT)
        block = box(x - half, y - half, x + half, y + half).exterior.coords[:-1]
        surface.fill(block)
        surface.line(list(block), Pen(0.5), closed=True)
        surface.text((x - printed_width(place, bold=True) / 2, y - MIN_CAPITAL_HEIGHT / 2), place, bold=True)
