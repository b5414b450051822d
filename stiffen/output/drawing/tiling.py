"""A drawing at 1:1 on several sheets of paper: overlapping tiles, crosses to join them by, check bars, legend, map.

Tiles stand in columns A, B, ... from the left and rows 1, 2, ... from the bottom.  Each tile has four crosses, half an
overlap inside its corners.  Neighbouring tiles share crosses: taped together, these lie on each other.  All lengths in
mm.
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
    DrawingSurface,
    Pen,
    one_line,
    printed_width,
    truncated,
    wrap_words,
)
from .primitives import XY, Circle, Hatch, Label, LabelPosition, Line, Marking, TextLine, text_height, text_width

UNPRINTABLE_EDGE = 8.0  # margin that a printer may leave blank
SIDE_STRIP = 9.0  # strip at the left, for the vertical check bar
FOOT_STRIP = 17.0  # strip below, for the horizontal check bar and the footer
TILE_OVERLAP = 15.0
CHECK_BAR_LENGTH = 100.0
MAX_ROLL_SHEET = (1000.0, 4000.0)  # largest sheet for a plotter: across the roll, along it
MIN_ROLL_WIDTH = 240.0  # room for the foot
HATCH_SPACING = 4.0  # between hatch lines
TILE_NAME_HEIGHT = 3.5  # capitals of the tile names on the map
LEGEND_ROW_PITCH = 5.5  # from row to row of the legend
LEGEND_SAMPLE_LENGTH = 26.0  # length of a line sample in the legend
MAX_COUNTED_TILES = 200  # larger drawings go on a roll: their sheets are not counted one by one
CAPITAL_HEIGHT = 4.0  # of labels on the drawing

LAYER_PENS: dict[str, Pen] = {
    "CUT": Pen(0.5),
    "ROUGH CUT": Pen(0.35, (12, 3)),
    "FOLD": Pen(0.35, (9, 2, 1.5, 2, 1.5, 2)),
    "MOULD LINE": Pen(0.18, (1.0, 1.5)),
    "BEND TANGENT": Pen(0.25),
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
    """One sheet of paper: its column and row, from 0."""

    column: int
    row: int

    @property
    def name(self) -> str:
        """Column and row as on the page, such as 'B3'."""
        return f"{column_name(self.column)}{self.row + 1}"


def column_name(column: int) -> str:
    """Letters of a column from 0: A, B, ..., Z, AA, AB, ..."""
    first, last = divmod(column, 26)
    return (column_name(first - 1) if first else "") + chr(ord("A") + last)


@dataclass(frozen=True)
class Tiling:
    """How a drawing is spread over sheets of paper.

    width, height: of the paper.  foot: height of the strip below the drawing.  origin: plan point of the lower left
    cross of tile A1.  step: x and y from cross to cross.  size: number of columns and rows.
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
        """All tiles, row by row from the lower left."""
        columns, rows = self.size
        return tuple(Tile(column, row) for row in range(rows) for column in range(columns))

    @property
    def window(self) -> Box:
        """Area of the paper that the drawing takes."""
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
        """Area of the plan that a tile shows."""
        (x0, y0), (x1, y1) = self.cross_at(tile.column, tile.row), self.cross_at(tile.column + 1, tile.row + 1)
        half = TILE_OVERLAP / 2
        return box(x0 - half, y0 - half, x1 + half, y1 + half)

    def to_paper(self, tile: Tile) -> XY:
        """Shift from plan coordinates to coordinates on the paper."""
        x0, y0, _, _ = self.shown_area(tile).bounds
        return self.window[0] - x0, self.window[1] - y0


def tile_drawing(bounds: Box, paper: str, foot: float = FOOT_STRIP) -> Tiling:
    """The tiling with the fewest sheets of "a4", "letter" or "roll" paper; portrait is preferred over landscape.

    foot: height of the strip below the drawing on a roll.
    """
    if paper == "roll":
        return _tile_on_roll(bounds, foot)
    width, height = PAPER_SIZES[paper]
    both = [_tile_on_paper(bounds, paper, *sides, FOOT_STRIP) for sides in ((width, height), (height, width))]
    return min(both, key=lambda one: one.size[0] * one.size[1])


def tile_marking(marking: Marking, paper: str, foot: float = FOOT_STRIP) -> Tiling:
    """The tiling that shows a marking on the fewest sheets; see `tile_drawing`.

    Where it saves sheets, the datum lines end at the edge of the paper, and the grid is moved off the middle.
    """
    if paper == "roll":
        return tile_drawing(marking.bounds, paper, foot)
    sheet = replace(marking, items=tuple(item for item in marking.items if item.layer != "DATUM"))
    width, height = PAPER_SIZES[paper]
    tilings = [
        moved
        for bounds in dict.fromkeys((marking.bounds, sheet.bounds))
        for sides in ((width, height), (height, width))
        for moved in _moved(_tile_on_paper(bounds, paper, *sides, FOOT_STRIP), bounds)
    ]
    fewest = min(len(one.tiles) for one in tilings)
    if fewest > MAX_COUNTED_TILES:
        return tile_drawing(marking.bounds, paper, foot)
    return min(tilings, key=lambda one: len(used_tiles(one, sheet)))


def _moved(tiling: Tiling, bounds: Box) -> Iterator[Tiling]:
    """The tiling, then the same moved by half of the paper that is to spare, to each side."""
    extents = bounds[2] - bounds[0], bounds[3] - bounds[1]
    spare = [
        size * step + TILE_OVERLAP - extent
        for size, step, extent in zip(tiling.size, tiling.step, extents, strict=True)
    ]
    for right, up in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1)):
        x, y = tiling.origin
        yield replace(tiling, origin=(x + 0.49 * right * spare[0], y + 0.49 * up * spare[1]))


def roll_width(bounds: Box) -> float:
    """Width of the sheet that a drawing of these bounds takes on a roll."""
    x0, y0, x1, y1 = bounds
    return min(
        max(MAX_ROLL_SHEET) if x1 - x0 >= y1 - y0 else min(MAX_ROLL_SHEET),
        max(MIN_ROLL_WIDTH, x1 - x0 + 2 * UNPRINTABLE_EDGE + SIDE_STRIP),
    )


def _tile_on_roll(bounds: Box, foot: float) -> Tiling:
    """One sheet as large as needed; several only if it exceeds MAX_ROLL_SHEET."""
    x0, y0, x1, y1 = bounds
    width = roll_width(bounds)
    height = min(
        min(MAX_ROLL_SHEET) if x1 - x0 >= y1 - y0 else max(MAX_ROLL_SHEET),
        max(CHECK_BAR_LENGTH, y1 - y0) + 2 * UNPRINTABLE_EDGE + foot,
    )
    return _tile_on_paper(bounds, "roll", width, height, foot)


def _tile_on_paper(bounds: Box, paper: str, width: float, height: float, foot: float) -> Tiling:
    """The tiling on paper of a given size, centred on the drawing."""
    x0, y0, x1, y1 = bounds
    step = width - 2 * UNPRINTABLE_EDGE - SIDE_STRIP - TILE_OVERLAP, height - 2 * UNPRINTABLE_EDGE - foot - TILE_OVERLAP
    columns, rows = (
        max(1, math.ceil((extent - TILE_OVERLAP) / one - 1e-9))
        for extent, one in zip((x1 - x0, y1 - y0), step, strict=True)
    )
    origin = (x0 + x1) / 2 - columns * step[0] / 2, (y0 + y1) / 2 - rows * step[1] / 2
    return Tiling(paper, width, height, foot, origin, step, (columns, rows))


def used_tiles(tiling: Tiling, marking: Marking) -> tuple[Tile, ...]:
    """The tiles that show a line or circle which no other tile shows; datum lines do not count.

    A line that lies only in the overlap with a neighbour is left to the neighbour.  The tiles are joined side to side.
    """
    shapes = [item.shape for item in marking.items if not isinstance(item, Hatch) and item.layer != "DATUM"]
    tree = shapely.STRtree(shapes)
    shown = {
        tile: tree.geometries[found]
        for tile in tiling.tiles
        if len(found := tree.query(tiling.shown_area(tile), predicate="intersects"))
    }
    kept = set(shown)
    for tile in shown if len(shown) <= MAX_COUNTED_TILES else ():
        others = shapely.union_all([tiling.shown_area(other) for other in kept - {tile} if _touch(tile, other)])
        own = tiling.shown_area(tile).difference(others)
        if not any(shape.intersects(own) for shape in shown[tile]) and _hang_together(kept - {tile}):
            kept.remove(tile)
    return tuple(tile for tile in tiling.tiles if tile in kept)


def _touch(tile: Tile, other: Tile) -> bool:
    """True for tiles that share a side or a corner."""
    return max(abs(tile.column - other.column), abs(tile.row - other.row)) == 1


def _hang_together(tiles: set[Tile]) -> bool:
    """True if each tile can be reached from every other over shared sides."""
    if not tiles:
        return False
    reached, last = set(), {next(iter(tiles))}
    while last:
        reached |= last
        last = {
            other
            for other in tiles - reached
            if any(abs(other.column - one.column) + abs(other.row - one.row) == 1 for one in last)
        }
    return reached == tiles


def place_texts(tiling: Tiling, tiles: Sequence[Tile], marking: Marking, height: float) -> dict[Tile, list[TextLine]]:
    """Place the labels on each tile: uncut, beside what they name, covering nothing.

    A label that is not optional and has no free position on any tile is placed where it covers least.
    """
    obstacles = {tile: _tile_obstacles(tiling, tile, marking) for tile in tiles}
    placed = {}
    for tile in tiles:
        shown = tiling.shown_area(tile)
        originals = {
            _moved_into_shown_part(label, shown, height): label
            for label in marking.labels
            if label.anchor.intersects(shown)
        }
        lines_by_label = place_labels(originals, obstacles[tile], height, shown, require_clear=True)
        placed[tile] = {originals[label]: lines for label, lines in lines_by_label.items()}
    for label in marking.labels:
        if label.optional or any(label in labels for labels in placed.values()):
            continue
        best: tuple[Tile, PlacedLabel] | None = None
        for tile in tiles:
            shown = tiling.shown_area(tile)
            if label.anchor.intersects(shown):
                footprints = [line.footprint for lines in placed[tile].values() for line in lines]
                tree = shapely.STRtree(obstacles[tile])
                one = least_covering_position(label, tree, footprints, height, shown)
                if one and (best is None or one.covered_area < best[1].covered_area):
                    best = tile, one
        if best:
            placed[best[0]][label] = best[1].lines
    return {tile: [line for lines in labels.values() for line in lines] for tile, labels in placed.items()}


def _moved_into_shown_part(label: Label, tile_area: Polygon, height: float) -> Label:
    """Move the label of an area into the part of that area that this tile shows.

    Only for a label inside an area that continues on another tile.  Any other label is returned unchanged.
    """
    area = label.anchor
    if not (isinstance(area, Polygon) and label.positions and area.contains(Point(label.positions[0][:2]))):
        return label
    shown = area.intersection(tile_area)
    if tile_area.contains(area) or shown.is_empty:
        return label
    x, y = shown.centroid.coords[0]
    positions: dict[str, list[LabelPosition]] = {label.text: [], label.short_text: []}
    for text, angle in ((text, angle) for text in positions if text for angle in (0.0, 90.0)):
        half, tall = (size(text, height) / 2 + 0.3 * height for size in (text_width, text_height))
        if shown.contains(affinity.rotate(box(x - half, y - tall, x + half, y + tall), angle)):
            positions[text].append((x, y, angle))
    if not any(positions.values()):
        return label
    return replace(label, positions=tuple(positions[label.text]), short_positions=tuple(positions[label.short_text]))


def _tile_obstacles(tiling: Tiling, tile: Tile, marking: Marking) -> list[BaseGeometry]:
    """The areas that labels on a tile should not cover: its lines, its crosses and their names."""
    shown = tiling.shown_area(tile)
    obstacles = [shape for shape in marking.obstacles if shape.intersects(shown)]
    for item, name in _join_marks(tiling, tile, marking):
        obstacles += [item.shape.buffer(1.0), *([name.footprint] if name else [])]
    return obstacles


def draw_tile(page: DrawingSurface, tiling: Tiling, tile: Tile, marking: Marking, texts: Sequence[TextLine]) -> None:
    """Draw the part of a marking that one tile shows, its texts and its crosses."""
    shown, (dx, dy) = tiling.shown_area(tile), tiling.to_paper(tile)
    joins = list(_join_marks(tiling, tile, marking))
    for item in marking.items:
        if isinstance(item, Hatch):
            for ends in item.hatch_lines(HATCH_SPACING, item.text_windows(texts)):
                _draw_item(page, Line(item.layer, ends), HATCH_PEN, (dx, dy), tiling.window)
        elif item.shape.intersects(shown):
            _draw_item(page, item, LAYER_PENS[item.layer], (dx, dy), tiling.window)
    for item, _ in joins:
        _draw_item(page, item, MEDIUM_PEN if isinstance(item, Circle) else THIN_PEN, (dx, dy), tiling.window)
    for text in (*texts, *(name for _, name in joins if name)):
        at = text.at[0] + dx, text.at[1] + dy
        page.text(at, text.text, text.height, rotation=text.rotation, align="center")


def _draw_item(page: DrawingSurface, item: Line | Circle, pen: Pen, shift: XY, window: Box) -> None:
    """Draw an item shifted to the paper and clipped to the window."""
    dx, dy = shift
    if isinstance(item, Circle):
        page.circle((item.at[0] + dx, item.at[1] + dy), item.diameter, pen, window)
    else:
        page.line([(x + dx, y + dy) for x, y in item.points], pen, item.closed, window)


def _join_marks(tiling: Tiling, tile: Tile, marking: Marking) -> Iterator[tuple[Line | Circle, TextLine | None]]:
    """The crosses of a tile with their names, each name where it covers least; none if there is only one tile."""
    if tiling.size == (1, 1):
        return
    shown = tiling.shown_area(tile)
    tree = shapely.STRtree([shape for shape in marking.obstacles if shape.intersects(shown)])
    for right in (0, 1):
        for up in (0, 1):
            column, row = tile.column + right, tile.row + up
            x, y = tiling.cross_at(column, row)
            yield Line("", ((x - 6.0, y), (x + 6.0, y))), None
            yield Line("", ((x, y - 6.0), (x, y + 6.0))), None
            name = f"{column_name(column).lower()}{row}"
            aside = text_width(name, MIN_CAPITAL_HEIGHT) / 2 + 1.2
            quarters = ((1, 1), (1, -1), (-1, 1), (-1, -1))
            away = [(p, q) for q in (0.0, 4.0, 8.0) for p in (0.0, 6.0, 12.0, 18.0)]
            positions = tuple((x + i * (aside + p), y + j * (4.3 + q), 0.0) for p, q in away for i, j in quarters)
            label = Label("", name, Point(x, y), positions)
            placed = least_covering_position(label, tree, [], MIN_CAPITAL_HEIGHT, shown)
            yield Circle("", (x, y), 4.0), placed.lines[0] if placed else None


# ------------------------------------------------------------------------------------------------ footer, map, legend


def draw_page_footer(page: DrawingSurface, foot: float, lines: Sequence[str], name: str = "") -> None:
    """Draw a horizontal and a vertical check bar, three lines of text, and the name of the tile.

    A first line too long to fit beside the bar is written above it, over the whole width.
    """
    x, y = UNPRINTABLE_EDGE + SIDE_STRIP, UNPRINTABLE_EDGE + 3.0
    _draw_check_bar(page, (x, y), (1.0, 0.0))
    page.text((x + CHECK_BAR_LENGTH / 2, y + 1.8), "100 mm", MIN_CAPITAL_HEIGHT, align="center")
    x, y = UNPRINTABLE_EDGE + SIDE_STRIP - 3.0, UNPRINTABLE_EDGE + foot
    _draw_check_bar(page, (x, y), (0.0, 1.0))
    page.text((x - 2.0, y + CHECK_BAR_LENGTH / 2), "100 mm", MIN_CAPITAL_HEIGHT, rotation=90.0, align="center")
    left, right = UNPRINTABLE_EDGE + SIDE_STRIP + CHECK_BAR_LENGTH + 4.0, page.width - UNPRINTABLE_EDGE
    first, *others = lines
    width_beside, full_width = (
        right - start - (16.0 if name else 0.0) for start in (left, UNPRINTABLE_EDGE + SIDE_STRIP)
    )
    levels: tuple[float, ...] = (11.6, 7.3, 3.0)
    at, first_lines = left, [one_line(first)]
    if printed_width(first) > width_beside:
        at, first_lines = UNPRINTABLE_EDGE + SIDE_STRIP, wrap_words(first, full_width)
        levels = (13.3, 9.2, 5.0, 0.9) if len(first_lines) > 1 else (12.4, 7.3, 3.0)
    for level, line in zip(levels, first_lines[:2], strict=False):
        page.text((at, UNPRINTABLE_EDGE + level), line, MIN_CAPITAL_HEIGHT)
    for level, line in zip(levels[-2:], others, strict=True):
        page.text((left, UNPRINTABLE_EDGE + level), truncated(line, width_beside), MIN_CAPITAL_HEIGHT)
    if name:
        page.text((right, UNPRINTABLE_EDGE + 4.0), name, 7.0, bold=True, align="right")


def _draw_check_bar(page: DrawingSurface, at: XY, along: XY) -> None:
    """Draw a bar of 100 mm from tick to tick.  along: (1, 0) or (0, 1)."""
    (x, y), (ax, ay) = at, along
    page.line([(x, y), (x + CHECK_BAR_LENGTH * ax, y + CHECK_BAR_LENGTH * ay)], BOLD_PEN)
    for tick, half in ((0.0, 2.0), (CHECK_BAR_LENGTH / 2, 1.2), (CHECK_BAR_LENGTH, 2.0)):
        tx, ty = x + tick * ax, y + tick * ay
        page.line([(tx - half * ay, ty - half * ax), (tx + half * ay, ty + half * ax)], THIN_PEN)


def draw_map(page: DrawingSurface, frame: Box, tiling: Tiling, tiles: Iterable[Tile], marking: Marking) -> None:
    """Draw the whole marking reduced to fit the frame, with the tiles and their names over it."""
    left, low = tiling.cross_at(0, 0)
    right, high = tiling.cross_at(*tiling.size)
    half = TILE_OVERLAP / 2
    x0, y0, x1, y1 = left - half, low - half, right + half, high + half
    scale = min((frame[2] - frame[0]) / (x1 - x0), (frame[3] - frame[1]) / (y1 - y0))
    dx = (frame[0] + frame[2] - scale * (x0 + x1)) / 2
    dy = (frame[1] + frame[3] - scale * (y0 + y1)) / 2

    def small(at: XY) -> XY:
        return scale * at[0] + dx, scale * at[1] + dy

    for item in marking.items:
        if isinstance(item, Circle):
            page.circle(small(item.at), scale * item.diameter, THIN_PEN)
        elif isinstance(item, Line) and item.layer in MAP_LAYERS:
            page.line([small(at) for at in item.points], THIN_PEN, item.closed)
    seams = set()
    for tile in tiles:
        ring = [(tile.column + i, tile.row + j) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1), (0, 0))]
        seams |= {tuple(sorted(pair)) for pair in pairwise(ring)}
    for start, end in sorted(seams):
        page.line([small(tiling.cross_at(*start)), small(tiling.cross_at(*end))], Pen(0.35, (3, 1.5)))
    lines = [
        item.shape
        for item in marking.items
        if isinstance(item, Circle) or (isinstance(item, Line) and item.layer in MAP_LAYERS)
    ]
    tree = shapely.STRtree([affinity.affine_transform(line, [scale, 0, 0, scale, dx, dy]) for line in lines])
    for tile in tiles:
        (x0, y0), (x1, y1) = (small(tiling.cross_at(tile.column + i, tile.row + i)) for i in (0, 1))
        width = printed_width(tile.name, TILE_NAME_HEIGHT, bold=True)
        corners = [(x, y) for y in (y0 + 1.5, y1 - 1.5 - TILE_NAME_HEIGHT) for x in (x0 + 1.5, x1 - 1.5 - width)]
        footprints = [box(x - 0.7, y - 0.7, x + width + 0.7, y + TILE_NAME_HEIGHT + 0.7) for x, y in corners]
        footprint = min(footprints, key=lambda one: len(tree.query(one, predicate="intersects")))
        page.fill(footprint.exterior.coords[:-1])
        page.text((footprint.bounds[0] + 0.7, footprint.bounds[1] + 0.7), tile.name, TILE_NAME_HEIGHT, bold=True)


MAP_LAYERS = ("CUT", "ROUGH CUT", "BEAD AXIS", "OTHER FACE", "FOLD")


def draw_legend(page: DrawingSurface, at: XY, width: float, rows: Sequence[tuple[str, str]]) -> float:
    """Draw (layer, purpose) rows from `at` down, each with a sample of its line; return the y below the last."""
    x, y = at
    indent = LEGEND_SAMPLE_LENGTH + 4.0
    for layer, purpose in rows:
        _draw_sample(page, (x, y + MIN_CAPITAL_HEIGHT / 2), layer)
        page.text((x + indent, y), truncated(purpose, width - indent), MIN_CAPITAL_HEIGHT)
        y -= LEGEND_ROW_PITCH
    return y


def _draw_sample(page: DrawingSurface, at: XY, layer: str) -> None:
    """Draw a sample of a layer: circle, ticks, arrow head or line."""
    (x, y), pen, middle = at, LAYER_PENS[layer], (at[0] + LEGEND_SAMPLE_LENGTH / 2, at[1])
    if layer in ("HOLE PILOT", "HOLE FLANGE", "RIVET"):
        page.circle(middle, 2.5 if layer == "RIVET" else 4.4, pen)
    elif layer == "BEAD STOP":
        end = LEGEND_SAMPLE_LENGTH
        for tick, half in ((2.0, 2.2), (3.5, 2.2), (9.0, 1.2), (end - 9.0, 1.2), (end - 3.0, 2.2)):
            page.line([(x + tick, y - half), (x + tick, y + half)], pen)
    elif layer == "FEED":
        page.line([(middle[0] - 2.5, y + 1.2), middle, (middle[0] - 2.5, y - 1.2)], pen)
    else:
        page.line([at, (x + LEGEND_SAMPLE_LENGTH, y)], pen)
