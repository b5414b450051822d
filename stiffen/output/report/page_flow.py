"""Sections set on pages, with text large enough to be read at arm's length, and drawings after them.

reportlab (BSD) sets the text and writes the file.  Import this module where a file is written, not before: it loads
reportlab.  Lengths are in mm, but for those handed to reportlab, which are in points.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import IO, Any

from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    HRFlowable,
    KeepTogether,
    NextPageTemplate,
    PageBreak,
    PageTemplate,
    Paragraph,
    TableStyle,
)
from reportlab.platypus import Table as TableFlowable

from stiffen.io.files import atomic_write
from stiffen.output.drawing.pdf import (
    CAPITAL_HEIGHT_RATIO,
    MEDIUM_PEN,
    MIN_CAPITAL_HEIGHT,
    MM_PER_POINT,
    PAPER_SIZES,
    THIN_PEN,
    Box,
    DrawingSurface,
    Pen,
    font_file,
    one_line,
)
from stiffen.output.drawing.primitives import XY

from .sections import Section, Table

POINTS = 1 / MM_PER_POINT  # in 1 mm
LEFT, RIGHT, TOP, BOTTOM = 14.0, 8.0, 8.0, 15.0  # margins
TITLE_CAPITAL_HEIGHT = 5.0
LINE_PITCH = 1.46 * MIN_CAPITAL_HEIGHT
COLUMN_GAP = 2.8
ROW_HEIGHT_TO_FILL_IN = 8.5
SPACE_ABOVE_HEADING = 2.0
SPACE_AROUND_TABLE = 1.5
HANGING_INDENT = 8.0  # of a numbered paragraph
TICKED_INDENT = 15.0  # of a numbered paragraph with a box
TICK_BOX = "\N{BALLOT BOX}"
MAX_KEPT_LINES = 5  # a paragraph, or a section of paragraphs, of up to so many lines is not divided
MIN_ROWS_SIDE_BY_SIDE = 4  # a narrow table of so many rows is set in parts side by side
MIN_SPLIT_ROWS = 3  # rows that must fit on a page before such parts are divided
REGULAR_FONT, BOLD_FONT = "DejaVuSans", "DejaVuSans-Bold"


@dataclass(frozen=True)
class Drawing:
    """A drawing of width x height mm.  draw: draws it on a surface, mm from its lower left corner.

    has_footer: on a page of its own it gets the footer of the pages of text.
    """

    width: float
    height: float
    draw: Callable[[DrawingSurface], None]
    has_footer: bool = False


def write_pages(
    path: str | Path,
    title: str,
    sections: Sequence[Section],
    *,
    footer: str,
    alerts: Sequence[str] = (),
    picture: Drawing | None = None,
    beside: Mapping[str, Drawing] | None = None,
    drawings: Sequence[Drawing] = (),
    paper: str = "a4",
) -> None:
    """Write a PDF: title, alerts in bold, sections; then each drawing at true scale on a page of its own size.

    footer: stands at the foot of each page of text, before the number of the page.  picture: stands at the right of the
    first section.  beside: pictures at the right of the sections of these titles.  paper: of the pages of text, "a4"
    or "letter"; anything else gives A4.
    The file has no dates: the same input gives the same bytes.  It is written under a temporary name, then renamed.
    Raises InputError if it cannot be written.
    """
    size = PAPER_SIZES.get(paper, PAPER_SIZES["a4"])

    def build(target: str | IO[bytes], pages: int, drawings: Sequence[Drawing]) -> int:
        story = list(_story(title, alerts, sections, picture, beside or {}, (size[0] - LEFT - RIGHT) * POINTS))
        return _build(target, title, story, size, f"{footer}\tpage {{}} of {pages}", drawings)

    _register_fonts()
    pages = build(io.BytesIO(), 0, ())
    with atomic_write(path) as fresh:
        build(str(fresh), pages + len(drawings), drawings)


def _build(
    target: str | IO[bytes], title: str, story: list[Flowable], size: XY, footer: str, drawings: Sequence[Drawing]
) -> int:
    """Set the story, then the drawings; returns the number of pages."""
    width, height = size
    frame = _frame(LEFT, BOTTOM, width - LEFT - RIGHT, height - BOTTOM - TOP)

    def draw_footer(canvas: Canvas, document: BaseDocTemplate) -> None:
        canvas.setViewerPreference("PrintScaling", "None")  # asks the print dialogue for 100 %
        name, _, count = footer.rpartition("\t")
        _draw_footer(CanvasSurface(canvas, *size), name, count.format(document.page))

    templates = [PageTemplate("text", [frame], onPage=draw_footer, pagesize=_points(size))]
    for number, drawing in enumerate(drawings, 1):
        sheet = drawing.width, drawing.height
        name = f"drawing {number}"
        foot = {"onPage": draw_footer} if drawing.has_footer else {}
        templates.append(PageTemplate(name, [_frame(0.0, 0.0, *sheet)], pagesize=_points(sheet), **foot))
        story += [NextPageTemplate(name), PageBreak(), _DrawingFlowable(drawing)]
    document = BaseDocTemplate(
        target,
        pageTemplates=templates,
        pagesize=_points(size),
        title=one_line(title),
        author="",
        subject="",
        creator="stiffen",
        invariant=1,
    )
    document.build(story)
    return document.page


def _frame(x: float, y: float, width: float, height: float) -> Frame:
    x, y, width, height = _points((x, y, width, height))
    return Frame(x, y, width, height, leftPadding=0, bottomPadding=0, rightPadding=0, topPadding=0)


def _points(lengths: Iterable[float]) -> tuple[float, ...]:
    return tuple(length * POINTS for length in lengths)


def _draw_footer(surface: DrawingSurface, name: str, count: str) -> None:
    """Draw a line, the name in at most two lines, and the page count at the right."""
    right = surface.width - RIGHT
    font_size = _font_size(MIN_CAPITAL_HEIGHT)
    room = (right - LEFT - COLUMN_GAP) * POINTS - pdfmetrics.stringWidth(count, REGULAR_FONT, font_size)
    lines = simpleSplit(one_line(name), REGULAR_FONT, font_size, room)[:2]
    base = 6.0 if len(lines) > 1 else 8.0
    top = base + 4.5 * len(lines)
    surface.line([(LEFT, top), (right, top)], THIN_PEN)
    for level, line in enumerate(reversed(lines)):
        surface.text((LEFT, base + 4.2 * level), line)
    surface.text((right, base), count, align="right")


# --------------------------------------------------------------------------------------------------------------- story


def _story(
    title: str,
    alerts: Sequence[str],
    sections: Sequence[Section],
    picture: Drawing | None,
    beside: Mapping[str, Drawing],
    room: float,
) -> Iterator[Flowable]:
    """Everything to set, from the top.  room: width of a line, points."""
    yield _plain_paragraph(title, _style(BOLD_FONT, TITLE_CAPITAL_HEIGHT))
    for alert in alerts:
        yield _paragraph(alert, _style(BOLD_FONT))
    for number, section in enumerate(sections):
        if number == 0 and picture:
            yield _beside_picture(section, picture, room)
        elif section.title in beside:
            yield KeepTogether([_beside_picture(section, beside[section.title], room)])
        else:
            yield from _kept_section(section, room)


def _beside_picture(section: Section, picture: Drawing, room: float) -> Flowable:
    """A section with a picture at its right."""
    picture_width = (picture.width + COLUMN_GAP) * POINTS
    flowables = [*_heading(section), *_parts(section, room - picture_width)]
    style = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("TOPPADDING", (1, 0), (1, 0), 2.0 * POINTS)]
    cells = [[flowables, _DrawingFlowable(picture)]]
    return _table_flowable(
        cells, [room - picture_width, picture_width], style, spaceBefore=SPACE_ABOVE_HEADING * POINTS
    )


def _kept_section(section: Section, room: float) -> list[Flowable]:
    """A section whose heading stands on the page of what follows it; a short one stands on one page."""
    heading, parts = _heading(section), _parts(section, room)
    heights = [_height(part, room) for part in parts]
    is_text = all(isinstance(part, str) for part in section.parts)
    max_kept = (MAX_KEPT_LINES + 0.5) * LINE_PITCH * POINTS
    if section.keep_together or (is_text and sum(heights) <= max_kept):
        return [KeepTogether([*heading, *parts])]
    first = section.parts[0]
    if isinstance(first, Table):
        needed = _height(_table(replace(first, rows=first.rows[:2]), room), room)
    else:
        needed = heights[0] if heights[0] <= max_kept else 2 * LINE_PITCH * POINTS
    return [CondPageBreak(sum(_height(one, room) for one in heading) + needed), *heading, *parts]


def _height(flowable: Flowable, room: float) -> float:
    """Height of a flowable with the space around it, points."""
    return flowable.wrap(room, 1e6)[1] + flowable.getSpaceBefore() + flowable.getSpaceAfter()


def _heading(section: Section) -> list[Flowable]:
    """The title of a section with a line under it."""
    style = _style(BOLD_FONT, spaceBefore=SPACE_ABOVE_HEADING * POINTS)
    line = HRFlowable("100%", THIN_PEN.width * POINTS, color="black", spaceBefore=0, spaceAfter=0.8 * POINTS)
    return [_plain_paragraph(section.title, style), line]


def _parts(section: Section, room: float) -> list[Flowable]:
    return [
        _table(part, room) if isinstance(part, Table) else _paragraph(part, _style(), section.to_tick)
        for part in section.parts
    ]


class _KeptParagraph(Paragraph):
    """A paragraph that is not divided if it is short."""

    def split(self, width: float, height: float) -> list[Flowable]:
        if self.height <= (MAX_KEPT_LINES + 0.5) * self.style.leading:
            return []  # all of it on the next page
        return super().split(width, height)


def _plain_paragraph(text: str, style: ParagraphStyle, number: str | None = None) -> Flowable:
    """A paragraph of plain text, in which "<" and "&" are no markup.  number: hangs out to the left."""
    (fragment,) = Paragraph("x", style).frags
    return _KeptParagraph("", style, bulletText=number, frags=[fragment.clone(text=one_line(text))])


def _paragraph(text: str, style: ParagraphStyle, to_tick: bool = False) -> Flowable:
    """A paragraph; what stands before a tab hangs out to the left, after a box if it is to be ticked."""
    number, _, rest = text.rpartition("\t")
    if not number:
        return _plain_paragraph(rest, style)
    indent = TICKED_INDENT if to_tick else HANGING_INDENT
    style = ParagraphStyle("numbered", style, leftIndent=indent * POINTS)
    return _plain_paragraph(rest, style, f"{TICK_BOX} {number.strip()}" if to_tick else number.strip())


class _DrawingFlowable(Flowable):
    """A drawing at true scale, as a flowable."""

    def __init__(self, drawing: Drawing) -> None:
        super().__init__()
        self.drawing = drawing
        self.width, self.height = _points((drawing.width, drawing.height))

    def draw(self) -> None:
        self.drawing.draw(CanvasSurface(self.canv, self.drawing.width, self.drawing.height))


# -------------------------------------------------------------------------------------------------------------- tables


def _table(table: Table, room: float) -> Flowable:
    """A table; a long and narrow one in parts side by side.  Its head is repeated on a new page."""
    gap = COLUMN_GAP * POINTS
    widths = _column_widths(table, room)
    total = sum(widths) + gap * (len(widths) - 1)
    parts = int((room + 2 * gap) / (total + 2 * gap))
    if not table.to_fill_in and len(table.rows) >= MIN_ROWS_SIDE_BY_SIDE and parts > 1:
        return _SideBySideTable(table, widths, parts, room)
    return _plain_table(table, [width + gap for width in widths])


def _plain_table(table: Table, widths: list[float]) -> Flowable:
    style: list[tuple] = [("VALIGN", (0, 0), (-1, 0), "BOTTOM"), ("VALIGN", (0, 1), (-1, -1), "TOP")]
    heights = None
    if table.to_fill_in:
        style += [
            ("VALIGN", (0, 1), (-1, -1), "MIDDLE"),
            ("GRID", (0, 1), (-1, -1), THIN_PEN.width * POINTS, "black"),
            ("LEFTPADDING", (0, 0), (-1, -1), COLUMN_GAP * POINTS / 2),
            ("RIGHTPADDING", (0, 0), (-1, -1), COLUMN_GAP * POINTS / 2),
            ("BOTTOMPADDING", (0, 0), (-1, 0), 0.8 * POINTS),
        ]
        heights = [None, *[ROW_HEIGHT_TO_FILL_IN * POINTS] * len(table.rows)]
    else:
        style += _head_line(0, len(widths) - 1)
    cells = [_cells(row, table.right_aligned) for row in (table.head, *table.rows)]
    return _table_flowable(cells, widths, style, heights, repeatRows=1, **_space_around())


def _table_flowable(
    cells: list, widths: list[float], style: list[tuple], heights: list | None = None, **options: Any
) -> Flowable:
    """A reportlab table without padding, except for a gap at the right of each column.  widths, heights: points."""
    plain = [
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), COLUMN_GAP * POINTS),
        ("TOPPADDING", (0, 0), (-1, -1), 0),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
    ]
    return TableFlowable(cells, widths, heights, style=TableStyle([*plain, *style]), hAlign="LEFT", **options)


def _head_line(first: int, last: int) -> list[tuple]:
    """The line under the head of the columns `first` to `last`."""
    return [
        ("LINEBELOW", (first, 0), (last, 0), THIN_PEN.width * POINTS, "black"),
        ("BOTTOMPADDING", (first, 0), (last, 0), 0.8 * POINTS),
    ]


def _space_around() -> dict[str, float]:
    return {"spaceBefore": SPACE_AROUND_TABLE * POINTS, "spaceAfter": SPACE_AROUND_TABLE * POINTS}


def _cells(row: Sequence[str], right_aligned: Sequence[int]) -> list[Flowable]:
    return [
        _plain_paragraph(cell, _style(alignment=TA_RIGHT) if i in right_aligned else _style())
        for i, cell in enumerate(row)
    ]


class _SideBySideTable(Flowable):
    """A long and narrow table in `parts` parts side by side, each under a head of its own.

    It reads down the first part, then down the next; on a new page it begins again at the left.
    """

    def __init__(self, table: Table, widths: list[float], parts: int, room: float) -> None:
        super().__init__()
        self.table, self.widths, self.parts, self.room = table, widths, parts, room
        self.spaceBefore, self.spaceAfter = _space_around().values()

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.inner = self._arranged(self.table.rows)
        self.width, self.height = self.inner.wrap(width, height)
        return self.width, self.height

    def split(self, width: float, height: float) -> list[Flowable]:
        """The rows that fit in the height, points, then the others; empty if fewer than MIN_SPLIT_ROWS lines fit."""
        rows = self.table.rows
        _, least = self._arranged(rows[: self.parts]).wrap(width, height)
        depth = 1 + int((height - least) / (LINE_PITCH * POINTS))
        if height < least or depth < MIN_SPLIT_ROWS:
            return []
        first, rest = rows[: depth * self.parts], rows[depth * self.parts :]
        tables = [replace(self.table, rows=part) for part in (first, rest) if part]
        return [_SideBySideTable(table, self.widths, self.parts, self.room) for table in tables]

    def draw(self) -> None:
        self.inner.drawOn(self.canv, 0, 0)

    def _arranged(self, rows: Sequence[Sequence[str]]) -> Flowable:
        """The parts as one reportlab table, with an empty column between them."""
        gap = COLUMN_GAP * POINTS
        widths = [width + gap for width in self.widths]
        spare = (self.room + 2 * gap) / self.parts - sum(widths)
        depth = -(-len(rows) // self.parts)
        columns = [rows[start : start + depth] for start in range(0, len(rows), depth)]
        empty = [""] * len(widths)
        cells: list[list] = []
        for level in range(depth + 1):
            line: list = []
            for part in columns:
                row = self.table.head if not level else part[level - 1] if level <= len(part) else empty
                line += [*_cells(row, self.table.right_aligned), ""]
            cells.append(line[:-1])
        style = [("VALIGN", (0, 0), (-1, -1), "BOTTOM")]
        for number in range(len(columns)):
            first = number * (len(widths) + 1)
            style += _head_line(first, first + len(widths) - 1)
        return _table_flowable(cells, ([*widths, spare] * len(columns))[:-1], style)


def _column_widths(table: Table, room: float) -> list[float]:
    """Widths of the columns without gaps, points.

    If the table is wider than the room, first the heads are wrapped, then the cells of the widest columns; at last all
    columns shrink alike and words are broken.
    """
    room -= COLUMN_GAP * POINTS * len(table.head)
    cells = list(zip(*table.rows, strict=True)) or [()] * len(table.head)
    heads = [_widest([head]) for head in table.head]
    head_words = [_widest(head.split()) for head in table.head]
    whole = [_widest(column) for column in cells]
    words = [_widest(word for cell in column for word in cell.split()) for column in cells]
    widths = list(map(max, heads, whole))
    for least in (list(map(max, head_words, whole)), list(map(max, head_words, words))):
        if sum(widths) <= room:
            return widths
        widths = _narrowed(widths, least, room)
    return widths if sum(widths) <= room else [width * room / sum(widths) for width in widths]


def _widest(texts: Iterable[str]) -> float:
    """Width of the widest text, points."""
    size = _font_size(MIN_CAPITAL_HEIGHT)
    return max((pdfmetrics.stringWidth(text, REGULAR_FONT, size) for text in texts), default=0.0) + 0.2


def _narrowed(widths: list[float], least: list[float], room: float) -> list[float]:
    """Widths limited to a common cap, so that they fill the room; none falls below its least width.  All in points."""
    low, high = 0.0, max(widths)
    for _ in range(40):
        cap = (low + high) / 2
        cut = [max(small, min(width, cap)) for width, small in zip(widths, least, strict=True)]
        low, high = (cap, high) if sum(cut) <= room else (low, cap)
    return [max(small, min(width, low)) for width, small in zip(widths, least, strict=True)]


# --------------------------------------------------------------------------------------------------- fonts, surface


@cache
def _register_fonts() -> None:
    """Make the font known to reportlab; it is the one of the drawings."""
    for name, bold in ((REGULAR_FONT, False), (BOLD_FONT, True)):
        pdfmetrics.registerFont(TTFont(name, str(font_file(bold))))


def _font_size(capital_height: float) -> float:
    """Size of the font, points, whose capitals have this height, mm."""
    return capital_height / CAPITAL_HEIGHT_RATIO * POINTS


def _style(font: str = REGULAR_FONT, capital_height: float = MIN_CAPITAL_HEIGHT, **options: Any) -> ParagraphStyle:
    size = _font_size(capital_height)
    leading = LINE_PITCH * POINTS * capital_height / MIN_CAPITAL_HEIGHT
    names = {"fontName": font, "bulletFontName": font, "fontSize": size, "bulletFontSize": size}
    return ParagraphStyle("text", **names, leading=leading, allowWidows=0, allowOrphans=0, **options)


class CanvasSurface:
    """A reportlab page or flowable to draw on; see `DrawingSurface`."""

    def __init__(self, canvas: Canvas, width: float, height: float) -> None:
        """width, height: of what is drawn on, mm."""
        self.canvas, self.width, self.height = canvas, width, height

    def line(
        self, points: Iterable[XY], pen: Pen = MEDIUM_PEN, closed: bool = False, within: Box | None = None
    ) -> None:
        """Draw a polyline, clipped to the box `within`."""
        self._stroke(self._path(points, closed), pen, within)

    def circle(self, at: XY, diameter: float, pen: Pen = MEDIUM_PEN, within: Box | None = None) -> None:
        """Draw a circle, clipped to the box `within`."""
        path = self.canvas.beginPath()
        path.circle(*_points((*at, diameter / 2)))
        self._stroke(path, pen, within)

    def fill(self, points: Iterable[XY], grey: float = 1.0) -> None:
        """Fill a polygon with a grey, without an outline."""
        self.canvas.saveState()
        self.canvas.setFillGray(grey)
        self.canvas.drawPath(self._path(points, True), stroke=0, fill=1)
        self.canvas.restoreState()

    def text(
        self,
        at: XY,
        text: str,
        height: float = MIN_CAPITAL_HEIGHT,
        *,
        rotation: float = 0.0,
        bold: bool = False,
        align: str = "left",
    ) -> None:
        """Draw one line of text whose base line starts at `at` (align "left"), ends there ("right") or is centred on it
        ("center").  height: of capitals, mm.  rotation: degrees.
        """
        canvas = self.canvas
        draw = {"left": canvas.drawString, "right": canvas.drawRightString, "center": canvas.drawCentredString}[align]
        canvas.saveState()
        canvas.translate(*_points(at))
        canvas.rotate(rotation)
        canvas.setFont(BOLD_FONT if bold else REGULAR_FONT, _font_size(height))
        draw(0, 0, one_line(text))
        canvas.restoreState()

    def _path(self, points: Iterable[XY], closed: bool) -> Any:
        path = self.canvas.beginPath()
        first, *others = map(_points, points)
        path.moveTo(*first)
        for point in others:
            path.lineTo(*point)
        if closed:
            path.lineTo(*first)
            path.close()
        return path

    def _stroke(self, path: Any, pen: Pen, within: Box | None) -> None:
        canvas = self.canvas
        canvas.saveState()
        if within:
            x0, y0, x1, y1 = _points(within)
            clip = canvas.beginPath()
            clip.rect(x0, y0, x1 - x0, y1 - y0)
            canvas.clipPath(clip, stroke=0, fill=0)
        canvas.setLineWidth(pen.width * POINTS)
        canvas.setDash(list(_points(pen.dashes)))
        canvas.setLineCap(0)
        canvas.setLineJoin(1)
        canvas.setStrokeGray(pen.grey)
        canvas.drawPath(path, stroke=1, fill=0)
        canvas.restoreState()
