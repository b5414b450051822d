"""Paper: PDF pages drawn in millimetres from their lower left corner, true to scale.

Heights of letters are heights of capitals.  matplotlib's PDF backend does the writing; none of its global state is
touched.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stiffen.io.files import atomic_write

from .primitives import XY

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties

PAPER_SIZES = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # mm, upright
MM_PER_INCH = 25.4
MM_PER_POINT = MM_PER_INCH / 72  # mm
MIN_CAPITAL_HEIGHT = 3.0  # mm, the smallest capitals that are read at arm's length
CAPITAL_HEIGHT_RATIO = 0.729  # of the em, in the face used
FONT_FAMILY = "DejaVu Sans"  # comes with matplotlib, so the letters are the same everywhere

Box = tuple[float, float, float, float]  # x0, y0, x1, y1


@dataclass(frozen=True)
class Pen:
    """A pen: width in mm, dashes and gaps in mm (none: unbroken), grey from 0 (black) to 1."""

    width: float = 0.25
    dashes: tuple[float, ...] = ()
    grey: float = 0.0


THIN_PEN, MEDIUM_PEN, BOLD_PEN = Pen(0.18), Pen(0.25), Pen(0.5)


@dataclass
class Page:
    """One page; what is drawn later lies on top."""

    width: float
    height: float
    figure: Any = field(init=False, repr=False)

    def __post_init__(self) -> None:
        from matplotlib.figure import Figure

        self.figure = Figure(figsize=(self.width / MM_PER_INCH, self.height / MM_PER_INCH))
        self.figure.patch.set_visible(False)

    def line(
        self, points: Iterable[XY], style: Pen = MEDIUM_PEN, closed: bool = False, within: Box | None = None
    ) -> None:
        """A polyline; `within` clips it."""
        from matplotlib.path import Path as Outline

        points = list(points)
        codes = [Outline.MOVETO, *[Outline.LINETO] * (len(points) - 1)]
        if closed:
            points, codes = [*points, points[0]], [*codes, Outline.CLOSEPOLY]
        self._add(Outline(points, codes), style, within)

    def circle(self, at: XY, diameter: float, style: Pen = MEDIUM_PEN, within: Box | None = None) -> None:
        """A circle."""
        from matplotlib.path import Path as Outline

        self._add(Outline.circle(at, diameter / 2), style, within)

    def fill(self, points: Iterable[XY], grey: float = 1.0) -> None:
        """A polygon filled with a grey, without a rim."""
        from matplotlib.patches import Polygon

        patch = Polygon(list(points), facecolor=str(grey), edgecolor="none", transform=self._millimetres())
        self.figure.add_artist(patch)

    def text(
        self,
        at: XY,
        words: str,
        height: float = MIN_CAPITAL_HEIGHT,
        *,
        rotation: float = 0.0,
        bold: bool = False,
        align: str = "left",
    ) -> None:
        """Words on a base line from `at` (align left), to it (right), or about it (center); turn in degrees."""
        text = self.figure.text(
            *at,
            one_line(words),
            transform=self._millimetres(),
            fontproperties=_font(height, bold),
            rotation=rotation,
            rotation_mode="anchor",
            ha=align,
            va="baseline",
            parse_math=False,
        )
        if hasattr(text, "set_fontfeatures"):  # matplotlib 3.11 on: letters that grew together are lost on search
            text.set_fontfeatures(("-liga",))

    def _add(self, path: Any, style: Pen, within: Box | None) -> None:
        from matplotlib.patches import PathPatch
        from matplotlib.transforms import Bbox, TransformedBbox

        points = style.width / MM_PER_POINT
        path.should_simplify = False  # every point stays where it is
        patch = PathPatch(
            path,
            fill=False,
            linewidth=points,
            edgecolor=str(style.grey),
            linestyle=(0, tuple(dash / MM_PER_POINT / points for dash in style.dashes)) if style.dashes else "-",
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
    """A PDF in the making: pages in order.  Use as a context; written at its end under a temporary name, then renamed.

    Raises InputError where the place cannot be written.
    """

    def __init__(self, path: str | Path, title: str) -> None:
        self.path, self.title = path, one_line(title)
        self.pages: list[Page] = []

    def new_page(self, width: float, height: float) -> Page:
        """A new page at the end."""
        self.pages.append(Page(width, height))
        return self.pages[-1]

    def __enter__(self) -> PdfDocument:
        return self

    def __exit__(self, kind: type | None, *rest: object) -> None:
        if kind is None:
            self._write()

    def _write(self) -> None:
        from matplotlib.backends.backend_pdf import PdfPages

        facts = {"Title": self.title, "Creator": "stiffen", "Producer": None, "CreationDate": None}
        with atomic_write(self.path) as fresh, PdfPages(fresh, metadata=facts) as pdf, warnings.catch_warnings():
            warnings.filterwarnings("ignore", "Glyph .* missing")  # a name in letters that the face has not
            for page in self.pages:
                pdf.savefig(page.figure, bbox_inches=page.figure.bbox_inches)


def one_line(words: str) -> str:
    """The words with every stretch of white space, line ends too, as one blank."""
    return " ".join(words.split())


@cache
def _font(height: float, bold: bool) -> FontProperties:
    from matplotlib.font_manager import FontProperties

    return FontProperties(
        family=FONT_FAMILY, weight="bold" if bold else "normal", size=height / CAPITAL_HEIGHT_RATIO / MM_PER_POINT
    )


@cache
def printed_width(words: str, height: float = MIN_CAPITAL_HEIGHT, bold: bool = False) -> float:
    """Width of words on paper, mm."""
    from matplotlib.textpath import text_to_path

    words = one_line(words)
    if not words:
        return 0.0
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")
        wide, _, _ = text_to_path.get_text_width_height_descent(words, _font(height, bold), ismath=False)
    return wide * MM_PER_POINT


def truncated(words: str, max_width: float, height: float = MIN_CAPITAL_HEIGHT, bold: bool = False) -> str:
    """The words, cut short by two dots where they need more than `room` mm."""
    words = one_line(words)
    if printed_width(words, height, bold) <= max_width:
        return words
    while words and printed_width(f"{words}..", height, bold) > max_width:
        words = words[:-1]
    return f"{words.rstrip()}.."


def wrap_words(words: str, max_width: float, height: float = MIN_CAPITAL_HEIGHT, bold: bool = False) -> list[str]:
    """The words in lines of at most `room` mm; a single word that is too long is broken."""
    lines, used, blank = [""], 0.0, printed_width("n n", height, bold) - printed_width("nn", height, bold)
    for word in one_line(words).split():
        wide = printed_width(word, height, bold)
        if lines[-1] and used + blank + wide <= max_width:
            lines[-1] += f" {word}"
            used += blank + wide
            continue
        if lines[-1]:
            lines.append("")
        while wide > max_width and len(word) > 1:
            count = next(
                n for n in range(len(word) - 1, 0, -1) if n == 1 or printed_width(word[:n], height, bold) <= max_width
            )
            lines[-1], word = word[:count], word[count:]
            lines.append("")
            wide = printed_width(word, height, bold)
        lines[-1], used = word, wide
    return lines
