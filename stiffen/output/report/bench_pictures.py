"""The order of work in pictures: a box to tick, a few large words and a sketch for each step at the bench.

For a bead the sketch shows the sheet as it lies in the roller: feed to the right, the roller's frame above or below,
what the throat leaves clear, start and stop.  All lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from shapely.geometry import box

from stiffen.model.layout import Bead
from stiffen.model.panel import Panel
from stiffen.output.drawing.bench_view import FaceView, face_up, face_view, rolled_faces
from stiffen.output.drawing.pdf import (
    BOLD_PEN,
    MEDIUM_PEN,
    MIN_CAPITAL_HEIGHT,
    THIN_PEN,
    Box,
    DrawingSurface,
    Pen,
    printed_width,
    wrap_words,
)
from stiffen.output.drawing.primitives import XY
from stiffen.shop.process_plan import ProcessPlan
from stiffen.shop.roller_settings import RollerSettings, turns_text

from .page_flow import BOTTOM, LEFT, RIGHT, TOP, Drawing

TITLE_HEIGHT, CAPTION_HEIGHT = 5.0, 4.0  # of capitals
LINE_PITCH = 1.5 * MIN_CAPITAL_HEIGHT
COLUMNS, ROWS = 2, 4  # pictures on a page
GAP = 5.0  # between two pictures
BOX_SIZE = 6.0  # of the box to tick
HEAD_HEIGHT = 9.0  # of the title of a page, with its key
CAPTION_LINES = 2  # under the title of a picture
OTHER_PEN, STRONG_PEN, CUT_PEN = Pen(0.18, (), 0.5), Pen(0.8), Pen(0.35, (4, 1.5))
FRAME_WIDTH, FRAME_DEPTH, ROLL_SIZE = 16.0, 4.0, 2.4  # of the roller's frame and rolls, on paper
ROOM_FOR_FRAME = 10.0  # on paper, between the sheet and the edge of the sketch on the side of the frame
MIN_LABEL_GAP = 24.0  # on paper, between start and stop, below which only the stop is named
KEY = "dot: datum corner; bar: the roller's frame; square: rolls; arrow: feed"


@dataclass(frozen=True)
class Picture:
    """One step: title, a line or two, and what draws its sketch into a box of the page."""

    title: str
    text: str
    draw: Callable[[DrawingSurface, Box], None]


def picture_pages(panel: Panel, plan: ProcessPlan, paper: XY) -> tuple[Drawing, ...]:
    """Pages with the pictures of all steps.  paper: width and height."""
    pictures = tuple(enumerate(step_pictures(panel, plan), 1))
    per_page = COLUMNS * ROWS
    groups = [pictures[start : start + per_page] for start in range(0, len(pictures), per_page)]
    title = f"{panel.name}: the bench in pictures"
    return tuple(Drawing(*paper, partial(_draw_page, title=title, pictures=group), has_footer=True) for group in groups)


def step_pictures(panel: Panel, plan: ProcessPlan) -> Iterator[Picture]:
    """The pictures in the order of work."""
    layout, view = plan.layout, face_view(panel, plan.layout, plan=plan)
    x0, y0, x1, y1 = plan.rough_outline.bounds
    x, y = plan.trim_allowance
    centres = [(hole.at, hole.die.pilot) for hole in view.layout.holes]
    parts = {
        "outline": True,
        "openings": panel.cutouts,
        "bead axes with their ends": layout.beads,
        "holes": layout.holes,
    }
    text = f"From the datum corner: {', '.join(part for part, some in parts.items() if some)}."
    yield Picture("Mark", text, partial(_draw_marks, view=view, circles=centres, pen=THIN_PEN))
    if layout.beads:
        inside = f"Outline {x:g} mm in at the sides, {y:g} at top and foot."
        text = f"{x1 - x0:.0f} x {y1 - y0:.0f} mm. {inside}"
        yield Picture("Rough cut", text, partial(_draw_cut, view=view, final=False))
    else:
        text = f"{x1 - x0:.0f} x {y1 - y0:.0f} mm{', and the openings' if panel.cutouts else ''}."
        yield Picture("Cut to size", text, partial(_draw_cut, view=view, final=True))
    if layout.holes:
        sizes = dict.fromkeys(hole.die for hole in layout.holes)
        counts = [f"{sum(hole.die == die for hole in layout.holes)} x {die.pilot:g} mm" for die in sizes]
        yield Picture(
            "Pilot holes", f"{', '.join(counts)}. Smooth the rims.", partial(_draw_holes, view=view, circles=centres)
        )
    yield from _roller_pictures(panel, plan)
    if layout.beads:
        yield Picture("Bow", "Straight edge on the sheet after each bead, both ways; flatten by hand.", _draw_bow)
    if layout.holes:
        dies = ", ".join(dict.fromkeys(f"{hole.die.name} {hole.side}" for hole in layout.holes))
        flares = [(hole.at, size) for hole in view.layout.holes for size in (hole.die.pilot, hole.die.flange)]
        yield Picture("Flare", f"Die and face: {dies}.", partial(_draw_holes, view=view, circles=flares))
    if layout.beads:
        openings = " Cut the openings." if panel.cutouts else ""
        yield Picture(
            "Trim", f"To the outline, measured from the beads.{openings}", partial(_draw_cut, view=view, final=True)
        )
    for number, fold in enumerate(view.panel.folds, 1):
        way = "up" if fold.angle > 0 else "down"
        radius = f", inside R {fold.radius:g}" if fold.radius else ""
        text = f"{abs(fold.angle):g} degrees {way}{radius}."
        yield Picture(f"Fold {number}", text, partial(_draw_fold, view=view, line=fold.line))
    for number, flange in enumerate(view.panel.curved_flanges, len(view.panel.folds) + 1):
        way = "up" if flange.angle > 0 else "down"
        text = f"{abs(flange.angle):g} degrees {way} over a former, R {flange.edge_radius:.0f}."
        yield Picture(f"Fold {number}, curved", text, partial(_draw_fold, view=view, line=flange.line))
    fasteners = [(at, max(support.diameter, 4.0)) for support in view.panel.supports for at in support.fasteners()]
    if fasteners:
        text = f"{len(fasteners)} mating holes, through both parts."
        yield Picture("Drill", text, partial(_draw_holes, view=view, circles=fasteners))
    trim = " Fit the edge trim." if panel.trims else ""
    rims = [*centres, *fasteners]
    text = f"All edges and rims, both faces.{trim} Fit the panel."
    yield Picture("Deburr and fit", text, partial(_draw_marks, view=view, circles=rims, pen=STRONG_PEN))


def _roller_pictures(panel: Panel, plan: ProcessPlan) -> Iterator[Picture]:
    """For each die its trial strip, then its beads in rolling order."""
    views = {face: face_view(panel, plan.layout, face, plan) for face in rolled_faces(plan.layout)}
    settings = {one.die: one for one in plan.roller_settings}
    strips = set()
    for position, bead in enumerate(plan.layout.beads):
        if bead.die not in strips:
            strips.add(bead.die)
            yield Picture(f"Die {bead.die.name}: trial strip", _turns(settings[bead.die]), _draw_strip)
        face = face_up(plan.layout, bead)
        view, throat = views[face], panel.tools.roller.throat
        shown, side = view.layout.beads[position], view.frame_sides[position]
        clear = None if side is None else throat - _extent(shown, side, view)
        passes = len(settings[bead.die].passes)
        draw = partial(_draw_bead, view=view, bead=shown, side=side, throat=throat, clear=clear)
        yield Picture(f"Bead {position + 1}, die {bead.die.name}", _bead_text(bead, face, side, passes), draw)


def _turns(settings: RollerSettings) -> str:
    """The turns of the screw for each pass."""
    if any(step.turns is None for step in settings.passes):
        return "Roll the strip deeper first: its readings end too soon."
    turns = ", ".join(turns_text(step.turns) for step in settings.passes if step.turns is not None)
    return f"Turns of the screw: {turns}. Measure: {settings.die.depth:g} mm deep."


def _bead_text(bead: Bead, face: str, side: str | None, passes: int) -> str:
    frame = f"{side} side to the frame" if side else "the throat takes NEITHER side"
    stop = (
        f"roll on {bead.die.run_out_length:.0f} mm past the start" if bead.closed else f"stop at {bead.length:.0f} mm"
    )
    return f"{face.upper()} face up, {frame}. {passes} passes, {stop}."


def _extent(bead: Bead, side: str, view: FaceView) -> float:
    """Greatest extent of the rough blank on one side of a bead, square to it, over all pieces of its path."""
    path = np.asarray(bead.path, dtype=float)
    pieces = np.diff(path, axis=0)
    lengths = np.hypot(*pieces.T)
    keep = lengths > 1e-9
    left = np.column_stack([-pieces[keep, 1], pieces[keep, 0]]) / lengths[keep, None]
    corners = np.array(view.rough_outline.exterior.coords)
    offset = corners @ left.T - np.einsum("ij,ij->i", path[:-1][keep], left)
    return float(offset.max() if side == "left" else -offset.min())


# ------------------------------------------------------------------------------------------------------------- the page


def _draw_page(surface: DrawingSurface, title: str, pictures: Sequence[tuple[int, Picture]]) -> None:
    """Draw one page of pictures, row by row from the top left."""
    left, top = LEFT, surface.height - TOP
    room = surface.width - LEFT - RIGHT
    size = min(TITLE_HEIGHT, TITLE_HEIGHT * room / printed_width(title, TITLE_HEIGHT, bold=True))
    surface.text((left, top - size), title, max(size, MIN_CAPITAL_HEIGHT), bold=True)
    surface.text((left, top - HEAD_HEIGHT - 1.0), KEY)
    top -= HEAD_HEIGHT + 3.0
    width = (room - (COLUMNS - 1) * GAP) / COLUMNS
    height = (top - BOTTOM - 4.0 - (ROWS - 1) * GAP) / ROWS
    for place, (number, picture) in enumerate(pictures):
        row, column = divmod(place, COLUMNS)
        x, y = left + column * (width + GAP), top - row * (height + GAP)
        _draw_picture(surface, (x, y - height, x + width, y), number, picture)


def _letters(number: int) -> str:
    """A to Z, then AA, AB, ..., for 1, 2, ..."""
    before, last = divmod(number - 1, 26)
    return (_letters(before) if before else "") + chr(ord("A") + last)


def _draw_picture(surface: DrawingSurface, frame: Box, number: int, picture: Picture) -> None:
    """Draw box, letter, title and text of one step, and its sketch below them."""
    x0, y0, x1, y1 = frame
    surface.line([(x0, y1), (x1, y1)], THIN_PEN)
    tick = box(x0, y1 - 1.5 - BOX_SIZE, x0 + BOX_SIZE, y1 - 1.5)
    surface.line(tick.exterior.coords[:-1], MEDIUM_PEN, closed=True)
    title = f"{_letters(number)}. {picture.title}"  # letters: the order of work has numbers of its own
    room = x1 - x0 - BOX_SIZE - 2.5
    size = max(
        MIN_CAPITAL_HEIGHT, min(CAPTION_HEIGHT, CAPTION_HEIGHT * room / printed_width(title, CAPTION_HEIGHT, bold=True))
    )
    surface.text((x0 + BOX_SIZE + 2.5, y1 - 2.5 - CAPTION_HEIGHT), title, size, bold=True)
    y = y1 - 2.5 - CAPTION_HEIGHT - 2.0
    for line in wrap_words(picture.text, x1 - x0)[:CAPTION_LINES]:
        y -= LINE_PITCH
        surface.text((x0, y), line)
    picture.draw(surface, (x0 + 1.0, y0, x1 - 1.0, y - 3.0))


def _fitted(bounds: Box, frame: Box) -> tuple[float, Callable[[XY], XY]]:
    """Scale, and the map of plan points into the middle of a frame."""
    x0, y0, x1, y1 = bounds
    scale = min((frame[2] - frame[0]) / (x1 - x0), (frame[3] - frame[1]) / (y1 - y0))
    dx, dy = (frame[0] + frame[2] - scale * (x0 + x1)) / 2, (frame[1] + frame[3] - scale * (y0 + y1)) / 2
    return scale, lambda at: (scale * at[0] + dx, scale * at[1] + dy)


# -------------------------------------------------------------------------------------------------------- the sketches


def _draw_sheet(surface: DrawingSurface, view: FaceView, at: Callable[[XY], XY], rough: Pen | None, final: Pen) -> None:
    """Draw rough cut, finished outline and openings, and a dot on the datum corner."""
    if rough:
        surface.line(map(at, view.rough_outline.exterior.coords[:-1]), rough, closed=True)
    surface.line(map(at, view.panel.outline), final, closed=True)
    for cutout in view.panel.cutouts:
        surface.line(map(at, cutout.ring), THIN_PEN, closed=True)
    _draw_dot(surface, at(view.datum))


def _draw_dot(surface: DrawingSurface, at: XY) -> None:
    x, y = at
    angles = np.arange(12) * math.pi / 6
    surface.fill([(x + 1.2 * math.cos(a), y + 1.2 * math.sin(a)) for a in angles], 0.0)


def _draw_cut(surface: DrawingSurface, frame: Box, view: FaceView, final: bool) -> None:
    """Draw the sheet with the line to cut now in bold; for the trim the beads too."""
    _, at = _fitted(view.rough_outline.bounds, frame)
    has_beads = bool(view.layout.beads)
    _draw_sheet(surface, view, at, CUT_PEN if final and has_beads else STRONG_PEN, STRONG_PEN if final else THIN_PEN)
    for bead in view.layout.beads if final else ():
        surface.line(map(at, bead.path), OTHER_PEN)


def _draw_holes(surface: DrawingSurface, frame: Box, view: FaceView, circles: Iterable[tuple[XY, float]]) -> None:
    """Draw the sheet with circles in bold.  circles: centre and diameter."""
    scale, at = _fitted(view.rough_outline.bounds, frame)
    _draw_sheet(surface, view, at, None, THIN_PEN)
    for centre, diameter in circles:
        surface.circle(at(centre), max(scale * diameter, 1.0), BOLD_PEN)


def _draw_marks(
    surface: DrawingSurface, frame: Box, view: FaceView, circles: Iterable[tuple[XY, float]], pen: Pen
) -> None:
    """Draw the sheet with outline, openings and circles in one pen, and the axes of the beads.

    circles: centre and diameter.
    """
    scale, at = _fitted(view.rough_outline.bounds, frame)
    _draw_sheet(surface, view, at, None, pen)
    for cutout in view.panel.cutouts:
        surface.line(map(at, cutout.ring), pen, closed=True)
    for bead in view.layout.beads:
        surface.line(map(at, bead.path), MEDIUM_PEN if pen == THIN_PEN else OTHER_PEN)
    for centre, diameter in circles:
        surface.circle(at(centre), max(scale * diameter, 1.0), pen)


def _draw_bow(surface: DrawingSurface, frame: Box) -> None:
    """Draw the sheet from its edge, bowed under a straight edge."""
    x0, y0, x1, y1 = frame
    share = np.linspace(0.0, 1.0, 25)
    middle, rise = (y0 + y1) / 2, min(4.0, (y1 - y0) / 4)
    arc = np.column_stack([x0 + share * (x1 - x0), middle - 4 * rise * share * (1 - share)])
    surface.line([(x, y) for x, y in arc], STRONG_PEN)
    surface.line(box(x0, middle + 0.6, x1, middle + 5.6).exterior.coords[:-1], MEDIUM_PEN, closed=True)


def _draw_fold(surface: DrawingSurface, frame: Box, view: FaceView, line: Sequence[XY]) -> None:
    """Draw the sheet with one fold line in bold."""
    _, at = _fitted(view.rough_outline.bounds, frame)
    _draw_sheet(surface, view, at, None, THIN_PEN)
    for bead in view.layout.beads:
        surface.line(map(at, bead.path), OTHER_PEN)
    surface.line(map(at, line), STRONG_PEN)


def _draw_strip(surface: DrawingSurface, frame: Box) -> None:
    """Draw a strip of scrap with its bead and the places to measure."""
    x0, y0, x1, y1 = frame
    middle, half = (y0 + y1) / 2, min(9.0, (y1 - y0) / 2)
    surface.line(box(x0, middle - half, x1, middle + half).exterior.coords[:-1], MEDIUM_PEN, closed=True)
    for offset in (-2.5, 2.5):
        surface.line([(x0 + 6.0, middle + offset), (x1, middle + offset)], BOLD_PEN)
    for share in (0.3, 0.55, 0.8):
        surface.circle((x0 + share * (x1 - x0), middle), 3.0, THIN_PEN)


def _draw_bead(
    surface: DrawingSurface,
    frame: Box,
    view: FaceView,
    bead: Bead,
    side: str | None,
    throat: float,
    clear: float | None,
) -> None:
    """Draw the sheet in the roller, turned so that the bead begins to the right.

    The rolls stand at its start.  The frame is as far from them as the throat is deep, or at the edge of the sketch
    with a break in the arm.
    """
    path = np.asarray(bead.path, dtype=float)
    along = path[1] - path[0]
    turn = -math.atan2(along[1], along[0])
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])

    def turned(points: Iterable) -> np.ndarray:
        return (np.asarray(list(points), dtype=float)[:, :2] - path[0]) @ spin.T

    sheet, own = turned(view.rough_outline.exterior.coords), turned(path)
    up = {"left": 1.0, "right": -1.0, None: 0.0}[side]
    around = np.vstack([sheet, own])
    low, high = around.min(axis=0), around.max(axis=0)
    below, above = (ROOM_FOR_FRAME if sign == up else 1.0 for sign in (-1.0, 1.0))
    inner = frame[0], frame[1] + below, frame[2], frame[3] - above
    scale, at = _fitted((low[0], low[1], high[0], high[1]), inner)
    surface.line(map(at, sheet[:-1]), MEDIUM_PEN, closed=True)
    for other in view.layout.beads:
        if other is not bead:
            surface.line(map(at, turned(other.path)), OTHER_PEN)
    _draw_dot(surface, at(turned([view.datum])[0]))
    surface.line(map(at, own), STRONG_PEN)
    _draw_arrow(surface, at(own[0] + np.array([min(0.35 * bead.length, 0.5 * math.hypot(*along)), 0.0])))
    if side and clear is not None:
        x, y = at((0.0, 0.0))
        edge = (frame[3] if up > 0 else frame[1]) - up * FRAME_DEPTH
        true_back = y + up * scale * throat
        is_broken = up * (true_back - edge) > 0.01
        _draw_roller(surface, (x, y), edge if is_broken else true_back, up, clear, frame)
        if is_broken:
            _draw_break(surface, (x, edge - 2.5 * up))
    _draw_ends(surface, frame, at, own, bead, -up or -1.0)


def _draw_arrow(surface: DrawingSurface, tip: XY) -> None:
    x, y = tip
    surface.fill([(x, y + 1.6), (x + 4.0, y), (x, y - 1.6)], 0.0)


def _draw_roller(surface: DrawingSurface, rolls: XY, y_back: float, up: float, clear: float, frame: Box) -> None:
    """Draw the rolls, the arm over the sheet and the frame, and say what is clear between sheet and frame."""
    x, y = rolls
    for offset in (-1.0, 1.0):
        surface.line([(x + offset, y), (x + offset, y_back)], THIN_PEN)
    half = ROLL_SIZE / 2
    surface.fill(box(x - half, y - half, x + half, y + half).exterior.coords[:-1], 0.0)
    far = y_back + up * FRAME_DEPTH
    left = min(max(x - FRAME_WIDTH / 2, frame[0]), frame[2] - FRAME_WIDTH)
    surface.fill(box(left, min(y_back, far), left + FRAME_WIDTH, max(y_back, far)).exterior.coords[:-1], 0.45)
    text = f"{clear:.0f} mm clear" if clear > 0 else "NO ROOM: cut this side closer"
    level = (y_back + far) / 2 - MIN_CAPITAL_HEIGHT / 2
    if left + FRAME_WIDTH + 2.0 + printed_width(text) <= frame[2]:
        _draw_label(surface, (left + FRAME_WIDTH + 2.0, level), text, "left")
    else:
        _draw_label(surface, (left - 2.0, level), text, "right")


def _draw_break(surface: DrawingSurface, at: XY) -> None:
    """Draw the two slant strokes that say that the arm is longer than it is drawn."""
    x, y = at
    surface.fill([(x - 1.6, y - 1.0), (x + 1.6, y + 0.2), (x + 1.6, y + 1.0), (x - 1.6, y - 0.2)])
    for offset in (-0.4, 0.4):
        surface.line([(x - 2.0, y - 0.75 + offset), (x + 2.0, y + 0.75 + offset)], THIN_PEN)


def _draw_ends(
    surface: DrawingSurface, frame: Box, at: Callable[[XY], XY], own: np.ndarray, bead: Bead, away: float
) -> None:
    """Draw ticks at start and stop and name them.  away: +1 to write above the bead, -1 below."""
    start, stop = at(own[0]), at(own[-1])
    before = at(own[-2])
    length = math.dist(before, stop) or 1.0
    across = np.array([-(stop[1] - before[1]), stop[0] - before[0]]) / length
    for end, normal in ((start, np.array([0.0, 1.0])), (stop, across)):
        surface.line([tuple(np.array(end) - 3.0 * normal), tuple(np.array(end) + 3.0 * normal)], BOLD_PEN)
    if bead.closed:
        names = [(start, "start = stop")]
    else:
        names = [(start, "start"), (stop, "stop")] if math.dist(start, stop) > MIN_LABEL_GAP else [(stop, "stop")]
    for (x, y), name in names:
        half = printed_width(name) / 2
        x = min(max(x, frame[0] + half), frame[2] - half)
        y = y + (4.5 if away > 0 else -4.5 - MIN_CAPITAL_HEIGHT)
        _draw_label(surface, (x, min(max(y, frame[1]), frame[3] - MIN_CAPITAL_HEIGHT)), name, "center")


def _draw_label(surface: DrawingSurface, at: XY, text: str, align: str) -> None:
    """Draw a text on white."""
    width = printed_width(text)
    left = at[0] - {"left": 0.0, "center": width / 2, "right": width}[align]
    ground = box(left - 0.6, at[1] - 0.6, left + width + 0.6, at[1] + MIN_CAPITAL_HEIGHT + 0.6)
    surface.fill(ground.exterior.coords[:-1])
    surface.text(at, text, align=align)
