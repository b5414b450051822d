"""A drawing at 1:1 over as many sheets of paper as it takes: tiles that overlap, crosses to join them by, check bars.

Tiles stand in columns A, B, ... from the left and rows 1, 2, ... from the bottom.  Four crosses stand round each tile,
half an overlap inside its corners; sheets that meet share crosses, which then lie on each other.  All lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from .label_placement import PlacedLabel, least_covering_position, place_labels
from .pdf import (
    BOLD_PEN,
    MEDIUM_PEN,
    MIN_CAPITAL_HEIGHT,
    PAPER_SIZES,
    THIN_PEN,
    Box,
    Page,
    Pen,
    one_line,
    printed_width,
    truncated,
    wrap_words,
)
from .primitives import XY, Circle, Hatch, Label, LabelPosition, Line, Marking, TextLine, text_height, text_width

UNPRINTABLE_EDGE = 8.0  # what a printer may leave blank at the edges of the paper
SIDE_STRIP = 9.0  # strip at the left for the upright check bar
FOOT_STRIP = 17.0  # strip below for the level check bar and the words
TILE_OVERLAP = 15.0
CHECK_BAR_LENGTH = 100.0
MAX_ROLL_SHEET = (1000.0, 4000.0)  # greatest sheet for a plotter: across the roll, along it
MIN_ROLL_WIDTH = 240.0  # room for its foot
HATCH_SPACING = 4.0  # between the lines of a hatching
TILE_NAME_HEIGHT = 3.5  # height of the names of sheets on their map
LEGEND_ROW_PITCH = 5.5  # from row to row of the key
LEGEND_SAMPLE_LENGTH = 26.0  # length of a stroke in the key
CAPITAL_HEIGHT = 4.0  # height of the capitals on the drawing

LAYER_PENS: dict[str, Pen] = {
    "CUT": Pen(0.5),
    "ROUGH CUT": Pen(0.35, (12, 3)),
    "FOLD": Pen(0.35, (9, 2, 1.5, 2, 1.5, 2)),
    "BEAD AXIS": Pen(0.4, (12, 2, 2, 2)),
    "BEAD FLANK": Pen(0.18, (3, 2)),
    "BEAD STOP": Pen(0.5),
    "FEED": Pen(0.4),
    "OTHER FACE": Pen(0.18, (1.5, 2.5), 0.35),
    "HOLE PILOT": Pen(0.4),
    "HOLE FLANGE": Pen(0.18, (3, 2)),
    "RIVET": Pen(0.3),
    "KEEP OUT": Pen(0.18, (6, 2)),
    "DATUM": Pen(0.3, (15, 2, 3, 2)),
}
HATCH_PEN = Pen(0.13, (), 0.35)


@dataclass(frozen=True)
class Tile:
    """One sheet: column and row from 0."""

    column: int
    row: int

    @property
    def name(self) -> str:
        """'B3'."""
        return f"{column_name(self.column)}{self.row + 1}"


def column_name(column: int) -> str:
    """A, B, ..., Z, AA, AB, ..."""
    first, last = divmod(column, 26)
    return (column_name(first - 1) if first else "") + chr(ord("A") + last)


@dataclass(frozen=True)
class Tiling:
    """How a drawing is spread over sheets.

    width, height: of the paper.  foot: strip below the drawing.  origin: plan point of the lower left cross of the
    tile A1.  step: from cross to cross.  size: columns and rows.
    """

    paper: str
    width: float
    height: float
    foot: float
    origin: XY
    step: XY
    size: tuple[int, int]

    @cached_property
    def tiles(self) -> tuple[Tile, ...]:
        """All sheets, row by row from the lower left."""
        columns, rows = self.size
        return tuple(Tile(column, row) for row in range(rows) for column in range(columns))

    @property
    def window(self) -> Box:
        """Where on the paper the drawing is."""
        return (
            UNPRINTABLE_EDGE + SIDE_STRIP,
            UNPRINTABLE_EDGE + self.foot,
            self.width - UNPRINTABLE_EDGE,
            self.height - UNPRINTABLE_EDGE,
        )

    def cross_at(self, column: int, row: int) -> XY:
        """Plan point of a cross."""
        return self.origin[0] + column * self.step[0], self.origin[1] + row * self.step[1]

    def shown_area(self, tile: Tile) -> Polygon:
        """What a sheet shows of the plan."""
        (x0, y0), (x1, y1) = self.cross_at(tile.column, tile.row), self.cross_at(tile.column + 1, tile.row + 1)
        half = TILE_OVERLAP / 2
        return box(x0 - half, y0 - half, x1 + half, y1 + half)

    def to_paper(self, tile: Tile) -> XY:
        """What to add to a plan point to find it on the paper."""
        x0, y0, _, _ = self.shown_area(tile).bounds
        return self.window[0] - x0, self.window[1] - y0


def tile_drawing(bounds: Box, paper: str, foot: float = FOOT_STRIP) -> Tiling:
    """The fewest sheets of "a4", "letter" or "roll" for a drawing of these bounds, upright rather than level.

    foot: height of the strip below the drawing on a roll.
    """
    if paper == "roll":
        return _tile_on_roll(bounds, foot)
    width, height = PAPER_SIZES[paper]
    both = [_tile_on_paper(bounds, paper, *sides, FOOT_STRIP) for sides in ((width, height), (height, width))]
    return min(both, key=lambda one: one.size[0] * one.size[1])


def roll_width(bounds: Box) -> float:
    """Width of the paper that a drawing of these bounds takes on a roll."""
    x0, y0, x1, y1 = bounds
    return min(
        max(MAX_ROLL_SHEET) if x1 - x0 >= y1 - y0 else min(MAX_ROLL_SHEET),
        max(MIN_ROLL_WIDTH, x1 - x0 + 2 * UNPRINTABLE_EDGE + SIDE_STRIP),
    )


def _tile_on_roll(bounds: Box, foot: float) -> Tiling:
    """One sheet as large as it must be; several only where no plotter takes it."""
    x0, y0, x1, y1 = bounds
    width = roll_width(bounds)
    height = min(
        min(MAX_ROLL_SHEET) if x1 - x0 >= y1 - y0 else max(MAX_ROLL_SHEET),
        max(CHECK_BAR_LENGTH, y1 - y0) + 2 * UNPRINTABLE_EDGE + foot,
    )
    return _tile_on_paper(bounds, "roll", width, height, foot)


def _tile_on_paper(bounds: Box, paper: str, width: float, height: float, foot: float) -> Tiling:
    x0, y0, x1, y1 = bounds
    step = width - 2 * UNPRINTABLE_EDGE - SIDE_STRIP - TILE_OVERLAP, height - 2 * UNPRINTABLE_EDGE - foot - TILE_OVERLAP
    columns, rows = (
        max(1, math.ceil((extent - TILE_OVERLAP) / one - 1e-9))
        for extent, one in zip((x1 - x0, y1 - y0), step, strict=True)
    )
    origin = (x0 + x1) / 2 - columns * step[0] / 2, (y0 + y1) / 2 - rows * step[1] / 2
    return Tiling(paper, width, height, foot, origin, step, (columns, rows))


def used_tiles(spread: Tiling, drawn: Marking) -> tuple[Tile, ...]:
    """The sheets on which there is something."""
    shapes = [item.shape for item in drawn.items if not isinstance(item, Hatch)]
    tree = shapely.STRtree(shapes)
    return tuple(tile for tile in spread.tiles if len(tree.query(spread.shown_area(tile), predicate="intersects")))


def place_texts(spread: Tiling, tiles: Sequence[Tile], drawn: Marking, height: float) -> dict[Tile, list[TextLine]]:
    """The words of each sheet: whole, beside what they name, on nothing else; those with no such place on any sheet
    at the best there is."""
    takens = {tile: _tile_obstacles(spread, tile, drawn) for tile in tiles}
    found = {}
    for tile in tiles:
        ground = spread.shown_area(tile)
        near = {
            _moved_into_shown_part(label, ground, height): label
            for label in drawn.labels
            if label.anchor.intersects(ground)
        }
        placed = place_labels(near, takens[tile], height, ground, require_clear=True)
        found[tile] = {near[label]: words for label, words in placed.items()}
    for label in drawn.labels:
        if label.optional or any(label in one for one in found.values()):
            continue
        best: tuple[Tile, PlacedLabel] | None = None
        for tile in tiles:
            if label.anchor.intersects(spread.shown_area(tile)):
                grounds = [words.footprint for lines in found[tile].values() for words in lines]
                one = least_covering_position(
                    label, shapely.STRtree(takens[tile]), grounds, height, spread.shown_area(tile)
                )
                if one and (best is None or one.covered_area < best[1].covered_area):
                    best = tile, one
        if best:
            found[best[0]][label] = best[1].lines
    return {tile: [words for lines in one.values() for words in lines] for tile, one in found.items()}


def _moved_into_shown_part(label: Label, ground: Polygon, height: float) -> Label:
    """The label as it is; of an area that is named inside and runs on over the sheet's edge, inside what is shown."""
    area = label.anchor
    if not (isinstance(area, Polygon) and label.positions and area.contains(Point(label.positions[0][:2]))):
        return label
    shown = area.intersection(ground)
    if ground.contains(area) or shown.is_empty:
        return label
    x, y = shown.centroid.coords[0]
    spots: dict[str, list[LabelPosition]] = {label.text: [], label.short_text: []}
    for text, turn in ((text, turn) for text in spots if text for turn in (0.0, 90.0)):
        half, tall = (size(text, height) / 2 + 0.3 * height for size in (text_width, text_height))
        if shown.contains(affinity.rotate(box(x - half, y - tall, x + half, y + tall), turn)):
            spots[text].append((x, y, turn))
    if not any(spots.values()):
        return label
    return replace(label, positions=tuple(spots[label.text]), short_positions=tuple(spots[label.short_text]))


def _tile_obstacles(spread: Tiling, tile: Tile, drawn: Marking) -> list[BaseGeometry]:
    """What words on a sheet should not cover: its lines, its crosses and their names."""
    ground = spread.shown_area(tile)
    taken = [shape for shape in drawn.obstacles if shape.intersects(ground)]
    for item, words in _join_marks(spread, tile, drawn):
        taken += [item.shape.buffer(1.0), *([words.footprint] if words else [])]
    return taken


def draw_tile(page: Page, spread: Tiling, tile: Tile, drawn: Marking, placed: Sequence[TextLine]) -> None:
    """What one sheet shows of a drawing, its words and its crosses."""
    ground, (dx, dy) = spread.shown_area(tile), spread.to_paper(tile)
    joins = list(_join_marks(spread, tile, drawn))
    for item in drawn.items:
        if isinstance(item, Hatch):
            for stroke in item.hatch_lines(HATCH_SPACING, item.text_windows(placed)):
                _draw_item(page, Line(item.layer, stroke), HATCH_PEN, (dx, dy), spread.window)
        elif item.shape.intersects(ground):
            _draw_item(page, item, LAYER_PENS[item.layer], (dx, dy), spread.window)
    for item, _ in joins:
        _draw_item(page, item, MEDIUM_PEN if isinstance(item, Circle) else THIN_PEN, (dx, dy), spread.window)
    for words in (*placed, *(words for _, words in joins if words)):
        at = words.at[0] + dx, words.at[1] + dy
        page.text(at, words.text, words.height, rotation=words.rotation, align="center")


def _draw_item(page: Page, item: Line | Circle, style: Pen, shift: XY, window: Box) -> None:
    dx, dy = shift
    if isinstance(item, Circle):
        page.circle((item.at[0] + dx, item.at[1] + dy), item.diameter, style, window)
    else:
        page.line([(x + dx, y + dy) for x, y in item.points], style, item.closed, window)


def _join_marks(spread: Tiling, tile: Tile, drawn: Marking) -> Iterator[tuple[Line | Circle, TextLine | None]]:
    """Crosses at the corners, each with its name where that covers least; none where there is one sheet only."""
    if spread.size == (1, 1):
        return
    ground = spread.shown_area(tile)
    tree = shapely.STRtree([shape for shape in drawn.obstacles if shape.intersects(ground)])
    for right in (0, 1):
        for up in (0, 1):
            column, row = tile.column + right, tile.row + up
            x, y = spread.cross_at(column, row)
            yield Line("", ((x - 6.0, y), (x + 6.0, y))), None
            yield Line("", ((x, y - 6.0), (x, y + 6.0))), None
            name = f"{column_name(column).lower()}{row}"
            aside = text_width(name, MIN_CAPITAL_HEIGHT) / 2 + 1.2
            quarters = ((1, 1), (1, -1), (-1, 1), (-1, -1))
            away = [(p, q) for q in (0.0, 4.0, 8.0) for p in (0.0, 6.0, 12.0, 18.0)]
            spots = tuple((x + i * (aside + p), y + j * (4.3 + q), 0.0) for p, q in away for i, j in quarters)
            label = Label("", name, Point(x, y), spots)
            named = least_covering_position(label, tree, [], MIN_CAPITAL_HEIGHT, ground)
            yield Circle("", (x, y), 4.0), named.lines[0] if named else None


# ------------------------------------------------------------------------------------------------------- bars and words


def draw_page_footer(page: Page, foot: float, lines: Sequence[str], name: str = "") -> None:
    """What stands on every page: a check bar each way, three lines of words, the name of the sheet.

    The first line goes over the whole width, above the bar, where it is too long to stand beside it.
    """
    x, y = UNPRINTABLE_EDGE + SIDE_STRIP, UNPRINTABLE_EDGE + 3.0
    _draw_check_bar(page, (x, y), (1.0, 0.0))
    page.text((x + CHECK_BAR_LENGTH / 2, y + 1.8), "100 mm", MIN_CAPITAL_HEIGHT, align="center")
    x, y = UNPRINTABLE_EDGE + SIDE_STRIP - 3.0, UNPRINTABLE_EDGE + foot
    _draw_check_bar(page, (x, y), (0.0, 1.0))
    page.text((x - 2.0, y + CHECK_BAR_LENGTH / 2), "100 mm", MIN_CAPITAL_HEIGHT, rotation=90.0, align="center")
    left, right = UNPRINTABLE_EDGE + SIDE_STRIP + CHECK_BAR_LENGTH + 4.0, page.width - UNPRINTABLE_EDGE
    first, *others = lines
    room, across = (right - start - (16.0 if name else 0.0) for start in (left, UNPRINTABLE_EDGE + SIDE_STRIP))
    levels: tuple[float, ...] = (11.6, 7.3, 3.0)
    at, whole = left, [one_line(first)]
    if printed_width(first) > room:
        at, whole = UNPRINTABLE_EDGE + SIDE_STRIP, wrap_words(first, across)
        levels = (13.3, 9.2, 5.0, 0.9) if len(whole) > 1 else (12.4, 7.3, 3.0)
    for level, words in zip(levels, whole[:2], strict=False):
        page.text((at, UNPRINTABLE_EDGE + level), words, MIN_CAPITAL_HEIGHT)
    for level, words in zip(levels[-2:], others, strict=True):
        page.text((left, UNPRINTABLE_EDGE + level), truncated(words, room), MIN_CAPITAL_HEIGHT)
    if name:
        page.text((right, UNPRINTABLE_EDGE + 4.0), name, 7.0, bold=True, align="right")


def _draw_check_bar(page: Page, at: XY, along: XY) -> None:
    """100 mm from tick to tick."""
    (x, y), (ax, ay) = at, along
    page.line([(x, y), (x + CHECK_BAR_LENGTH * ax, y + CHECK_BAR_LENGTH * ay)], BOLD_PEN)
    for tick, half in ((0.0, 2.0), (CHECK_BAR_LENGTH / 2, 1.2), (CHECK_BAR_LENGTH, 2.0)):
        tx, ty = x + tick * ax, y + tick * ay
        page.line([(tx - half * ay, ty - half * ax), (tx + half * ay, ty + half * ax)], THIN_PEN)


def draw_map(page: Page, room: Box, spread: Tiling, tiles: Iterable[Tile], drawn: Marking) -> None:
    """A small picture of the drawing with the sheets over it, inside `room`."""
    left, low = spread.cross_at(0, 0)
    right, high = spread.cross_at(*spread.size)
    half = TILE_OVERLAP / 2
    x0, y0, x1, y1 = left - half, low - half, right + half, high + half
    scale = min((room[2] - room[0]) / (x1 - x0), (room[3] - room[1]) / (y1 - y0))
    dx = (room[0] + room[2] - scale * (x0 + x1)) / 2
    dy = (room[1] + room[3] - scale * (y0 + y1)) / 2

    def small(at: XY) -> XY:
        return scale * at[0] + dx, scale * at[1] + dy

    for item in drawn.items:
        if isinstance(item, Circle):
            page.circle(small(item.at), scale * item.diameter, THIN_PEN)
        elif isinstance(item, Line) and item.layer in MAP_LAYERS:
            page.line([small(at) for at in item.points], THIN_PEN, item.closed)
    seams = set()
    for tile in tiles:
        ring = [(tile.column + i, tile.row + j) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1), (0, 0))]
        seams |= {tuple(sorted(pair)) for pair in pairwise(ring)}
    for start, end in sorted(seams):
        page.line([small(spread.cross_at(*start)), small(spread.cross_at(*end))], Pen(0.35, (3, 1.5)))
    lines = [
        item.shape
        for item in drawn.items
        if isinstance(item, Circle) or (isinstance(item, Line) and item.layer in MAP_LAYERS)
    ]
    tree = shapely.STRtree([affinity.affine_transform(line, [scale, 0, 0, scale, dx, dy]) for line in lines])
    for tile in tiles:
        (x0, y0), (x1, y1) = (small(spread.cross_at(tile.column + i, tile.row + i)) for i in (0, 1))
        across = printed_width(tile.name, TILE_NAME_HEIGHT, bold=True)
        corners = [(x, y) for y in (y0 + 1.5, y1 - 1.5 - TILE_NAME_HEIGHT) for x in (x0 + 1.5, x1 - 1.5 - across)]
        grounds = [box(x - 0.7, y - 0.7, x + across + 0.7, y + TILE_NAME_HEIGHT + 0.7) for x, y in corners]
        ground = min(grounds, key=lambda one: len(tree.query(one, predicate="intersects")))
        page.fill(ground.exterior.coords[:-1])
        page.text((ground.bounds[0] + 0.7, ground.bounds[1] + 0.7), tile.name, TILE_NAME_HEIGHT, bold=True)


MAP_LAYERS = ("CUT", "ROUGH CUT", "BEAD AXIS", "OTHER FACE", "FOLD")


def draw_legend(page: Page, at: XY, room: float, rows: Sequence[tuple[str, str]]) -> float:
    """A stroke of each layer's pen and what it is for, from `at` down; hands back the level below it."""
    x, y = at
    for layer, words in rows:
        _draw_sample(page, (x, y + MIN_CAPITAL_HEIGHT / 2), layer)
        page.text(
            (x + LEGEND_SAMPLE_LENGTH + 4.0, y), truncated(words, room - LEGEND_SAMPLE_LENGTH - 4.0), MIN_CAPITAL_HEIGHT
        )
        y -= LEGEND_ROW_PITCH
    return y


def _draw_sample(page: Page, at: XY, layer: str) -> None:
    """A circle, ticks, an arrow's head or a stroke, as the layer has it."""
    (x, y), style, middle = at, LAYER_PENS[layer], (at[0] + LEGEND_SAMPLE_LENGTH / 2, at[1])
    if layer in ("HOLE PILOT", "HOLE FLANGE", "RIVET"):
        page.circle(middle, 2.5 if layer == "RIVET" else 4.4, style)
    elif layer == "BEAD STOP":
        for tick, half in (
            (2.0, 2.2),
            (3.5, 2.2),
            (9.0, 1.2),
            (LEGEND_SAMPLE_LENGTH - 9.0, 1.2),
            (LEGEND_SAMPLE_LENGTH - 3.0, 2.2),
        ):
            page.line([(x + tick, y - half), (x + tick, y + half)], style)
    elif layer == "FEED":
        page.line([(middle[0] - 2.5, y + 1.2), middle, (middle[0] - 2.5, y - 1.2)], style)
    else:
        page.line([at, (x + LEGEND_SAMPLE_LENGTH, y)], style)
