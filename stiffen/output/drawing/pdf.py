"""PDF pages at true scale, drawn in millimetres from their lower left corner.

A text height is the height of its capitals.  matplotlib's PDF backend writes the file; its global state is not changed.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from stiffen.io.files import atomic_write

from .primitives import XY

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties

PAPER_SIZES = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # mm, upright
MM_PER_INCH = 25.4
MM_PER_POINT = MM_PER_INCH / 72  # mm
MIN_CAPITAL_HEIGHT = 3.0  # mm; smaller capitals are not readable at arm's length
CAPITAL_HEIGHT_RATIO = 0.729  # height of capitals over the em, for the font used
FONT_FAMILY = "DejaVu Sans"  # comes with matplotlib, so text looks the same everywhere

Box = tuple[float, float, float, float]  # x0, y0, x1, y1


@dataclass(frozen=True)
class Pen:
    """A pen.  width: mm.  dashes: dash, gap, dash, ... in mm; empty for a solid line.  grey: 0 (black) to 1 (white)."""

    width: float = 0.25
    dashes: tuple[float, ...] = ()
    grey: float = 0.0


THIN_PEN, MEDIUM_PEN, BOLD_PEN = Pen(0.18), Pen(0.25), Pen(0.5)


class DrawingSurface(Protocol):
    """A surface to draw lines, circles, filled polygons and texts on.  mm from its lower left corner; see `Page`."""

    width: float
    height: float

    def line(
        self, points: Iterable[XY], pen: Pen = MEDIUM_PEN, closed: bool = False, within: Box | None = None
    ) -> None: ...

    def circle(self, at: XY, diameter: float, pen: Pen = MEDIUM_PEN, within: Box | None = None) -> None: ...

    def fill(self, points: Iterable[XY], grey: float = 1.0) -> None: ...

    def text(
        self,
        at: XY,
        text: str,
        height: float = MIN_CAPITAL_HEIGHT,
        *,
        rotation: float = 0.0,
        bold: bool = False,
        align: str = "left",
    ) -> None: ...


@dataclass
class Page:
    """One page of width x height mm.  Later items lie on top of earlier ones."""

    width: float
    height: float
    figure: Any = field(init=False, repr=False)

    def __post_init__(self) -> None:
        from matplotlib.figure import Figure

        self.figure = Figure(figsize=(self.width / MM_PER_INCH, self.height / MM_PER_INCH))
        self.figure.patch.set_visible(False)

    def line(
        self, points: Iterable[XY], pen: Pen = MEDIUM_PEN, closed: bool = False, within: Box | None = None
    ) -> None:
        """Draw a polyline, clipped to the box `within`."""
        from matplotlib.path import Path as Outline

        points = list(points)
        codes = [Outline.MOVETO, *[Outline.LINETO] * (len(points) - 1)]
        if closed:
            points, codes = [*points, points[0]], [*codes, Outline.CLOSEPOLY]
        self._add(Outline(points, codes), pen, within)

    def circle(self, at: XY, diameter: float, pen: Pen = MEDIUM_PEN, within: Box | None = None) -> None:
        """Draw a circle, clipped to the box `within`."""
        from matplotlib.path import Path as Outline

        self._add(Outline.circle(at, diameter / 2), pen, within)

    def fill(self, points: Iterable[XY], grey: float = 1.0) -> None:
        """Fill a polygon with a grey, without an outline."""
        from matplotlib.patches import Polygon

        patch = Polygon(list(points), facecolor=str(grey), edgecolor="none", transform=self._millimetres())
        self.figure.add_artist(patch)

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
        artist = self.figure.text(
            *at,
            one_line(text),
            transform=self._millimetres(),
            fontproperties=_font(height, bold),
            rotation=rotation,
            rotation_mode="anchor",
            ha=align,
            va="baseline",
            parse_math=False,
        )
        if hasattr(artist, "set_fontfeatures"):  # since matplotlib 3.11; ligatures would break text search
            artist.set_fontfeatures(("-liga",))

    def _add(self, path: Any, pen: Pen, within: Box | None) -> None:
        from matplotlib.patches import PathPatch
        from matplotlib.transforms import Bbox, TransformedBbox

        points = pen.width / MM_PER_POINT
        path.should_simplify = False  # keep every point
        patch = PathPatch(
            path,
            fill=False,
            linewidth=points,
            edgecolor=str(pen.grey),
            linestyle=(0, tuple(dash / MM_PER_POINT / points for dash in pen.dashes)) if pen.dashes else "-",
            capstyle="butt",
            joinstyle="round",
            transform=self._millimetres(),
        )
        self.figure.add_artist(patch)
        if within:
            patch.set_clip_box(TransformedBbox(Bbox.from_extents(*within), self._millimetres()))

    def _millimetres(self) -> Any:
        from matplotlib.transforms import Affine2D

        return Affine2D().scale(1 / MM_PER_INCH) + self.figure.dpi_scale_trans


class PdfDocument:
    """A PDF file and its pages.  Use it as a context manager, which writes the file at the end.

    The file is written under a temporary name, then renamed.  Raises InputError if it cannot be written.
    """

    def __init__(self, path: str | Path, title: str) -> None:
        self.path, self.title = path, one_line(title)
        self.pages: list[Page] = []

    def new_page(self, width: float, height: float) -> Page:
        """Add a page of width x height mm at the end."""
        self.pages.append(Page(width, height))
        return self.pages[-1]

    def __enter__(self) -> PdfDocument:
        return self

    def __exit__(self, kind: type | None, *rest: object) -> None:
        if kind is None:
            self._write()

    def _write(self) -> None:
        from matplotlib.backends.backend_pdf import Name, PdfFile, PdfPages

        class UnscaledPdfFile(PdfFile):
            """Asks the print dialogue for 100 % (ISO 32000-1, 12.2, PrintScaling)."""

            def writeObject(self, object: Any, contents: Any) -> None:
                if object is self.rootObject:
                    contents = {**contents, "ViewerPreferences": {"PrintScaling": Name("None")}}
                super().writeObject(object, contents)

        metadata = {"Title": self.title, "Creator": "stiffen", "Producer": None, "CreationDate": None}
        with atomic_write(self.path) as fresh, PdfPages(fresh, metadata=metadata) as pdf, warnings.catch_warnings():
            warnings.filterwarnings("ignore", "Glyph .* missing")  # a name with letters that the font lacks
            pdf._file = UnscaledPdfFile(fresh, metadata=metadata)  # which it would else make of the plain class
            for page in self.pages:
                pdf.savefig(page.figure, bbox_inches=page.figure.bbox_inches)


def one_line(text: str) -> str:
    """The text on one line: every run of white space, line ends included, becomes one space."""
    return " ".join(text.split())


def font_file(bold: bool = False) -> Path:
    """The TrueType file of the font used."""
    from matplotlib.font_manager import findfont

    return Path(findfont(_font(MIN_CAPITAL_HEIGHT, bold)))


@cache
def _font(height: float, bold: bool) -> FontProperties:
    from matplotlib.font_manager import FontProperties

    return FontProperties(
        family=FONT_FAMILY, weight="bold" if bold else "normal", size=height / CAPITAL_HEIGHT_RATIO / MM_PER_POINT
    )


@cache
def printed_width(text: str, height: float = MIN_CAPITAL_HEIGHT, bold: bool = False) -> float:
    """Width of a text on paper, mm."""
    from matplotlib.textpath import text_to_path

    text = one_line(text)
    if not text:
        return 0.0
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")
        points, _, _ = text_to_path.get_text_width_height_descent(text, _font(height, bold), ismath=False)
    return points * MM_PER_POINT


def truncated(text: str, max_width: float, height: float = MIN_CAPITAL_HEIGHT, bold: bool = False) -> str:
    """The text, cut short with two dots if it is wider than `max_width` mm."""
    text = one_line(text)
    if printed_width(text, height, bold) <= max_width:
        return text
    while text and printed_width(f"{text}..", height, bold) > max_width:
        text = text[:-1]
    return f"{text.rstrip()}.."


def wrap_words(text: str, max_width: float, height: float = MIN_CAPITAL_HEIGHT, bold: bool = False) -> list[str]:
    """The text in lines of at most `max_width` mm; a single word that is too long is broken."""
    lines, used, blank = [""], 0.0, printed_width("n n", height, bold) - printed_width("nn", height, bold)
    for word in one_line(text).split():
        width = printed_width(word, height, bold)
        if lines[-1] and used + blank + width <= max_width:
            lines[-1] += f" {word}"
            used += blank + width
            continue
        if lines[-1]:
            lines.append("")
        while width > max_width and len(word) > 1:
            count = next(
                n for n in range(len(word) - 1, 0, -1) if n == 1 or printed_width(word[:n], height, bold) <= max_width
            )
            lines[-1], word = word[:count], word[count:]
            lines.append("")
            width = printed_width(word, height, bold)
        lines[-1], used = word, width
    return lines
