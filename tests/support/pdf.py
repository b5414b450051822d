"""What stands in a PDF, read back by an independent library: strokes and words in millimetres from the lower left."""

import math
from dataclasses import dataclass

import numpy as np
from pypdf import PdfReader

POINT = 25.4 / 72  # mm


@dataclass(frozen=True)
class Stroke:
    """A path: its points, curves by their ends only; curved where there is a curve in it."""

    points: np.ndarray
    curved: bool

    @property
    def centre(self):
        """Of a circle, drawn in even pieces and closed."""
        return np.unique(self.points.round(4), axis=0).mean(axis=0)

    @property
    def diameter(self):
        return 2 * math.dist(self.centre, self.points[0])


@dataclass(frozen=True)
class Word:
    text: str
    at: tuple[float, float]
    size: float  # of the em
    turn: float


def read(path):
    """(width, height, strokes, words) of every page."""
    return [_page(page) for page in PdfReader(path).pages]


def _page(page):
    strokes, words, current, state = [], [], [], {"curved": False, "size": 0.0}

    def see(op, args, cm, tm):
        a, b, c, d, e, f = cm
        if op in (b"m", b"l", b"c"):
            x, y = map(float, args[-2:])
            if op == b"m":
                state["curved"] = False
                current[:] = []
            state["curved"] |= op == b"c"
            current.append(((a * x + c * y + e) * POINT, (b * x + d * y + f) * POINT))
        elif op == b"S" and current:
            strokes.append(Stroke(np.array(current), state["curved"]))
        elif op == b"Tf":
            state["size"] = float(args[1]) * POINT
        elif op in (b"Tj", b"TJ"):
            parts = args[0] if op == b"TJ" else args
            text = "".join(part.decode("latin-1") if isinstance(part, bytes) else "" for part in parts)
            tx, ty = tm[4], tm[5]
            at = ((a * tx + c * ty + e) * POINT, (b * tx + d * ty + f) * POINT)
            words.append(Word(text, at, state["size"], math.degrees(math.atan2(b, a))))

    page.extract_text(visitor_operand_before=see)
    box = page.mediabox
    return float(box.width) * POINT, float(box.height) * POINT, strokes, words


def circles(strokes):
    """Strokes that are full circles: closed curves of four pieces or more."""
    return [
        one for one in strokes if one.curved and len(one.points) > 4 and math.dist(one.points[0], one.points[-1]) < 1e-3
    ]


def segments(strokes):
    """Strokes of two points, as (n, 2, 2)."""
    return np.array([one.points for one in strokes if len(one.points) == 2 and not one.curved])
