"""Where the template lies in the photo: a first outline, to about two pixels of a small copy of it.

The small copy is cut along its strong colour edges.  From a low to a high threshold, the parts that are free of edges
grow together; the template is the part that stays the same over the longest range of thresholds, touches neither the
picture's rim nor a board page, and is large enough.  So it may be lighter or darker than the table, or of another
colour, and a shadow or a crease over it only has to be weaker than its own edge.  Thin pen lines are smoothed away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stiffen.errors import Fault, InputError

SMALL = 900  # px, width of the small copy
PEN = 5  # px of the small copy: thinner lines are smoothed away
RIM = 3  # px, the eroded margin: leaks narrower than twice this do not count
THRESHOLDS = np.geomspace(4, 130, 40)  # steps of CIE L*a*b*, 8 bit
MAX_SHARE = 0.6  # of the picture's area, for a template that the rim cuts off: more is the table
MIN_SHARE = 0.02  # of the picture's area
SAME = 0.97  # overlap over union of two parts that count as the same
MIN_RANGE = 4  # thresholds over which a part must stay


@dataclass(frozen=True)
class Region:
    """ring: (n, 2) px, the outline in the photo.  holes are filled.  steadiness: thresholds over which it stayed."""

    ring: np.ndarray
    steadiness: int


def find_template(pixels: np.ndarray, papers: Sequence[np.ndarray]) -> Region:
    """The template's region.  papers: (4, 2) px, the corners of each sheet of paper with a board.

    InputError if there is none, or if it touches the rim of the picture or a page.
    """
    import cv2

    factor = SMALL / max(pixels.shape[:2])
    small = cv2.resize(pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    smooth = cv2.medianBlur(small, PEN)
    lab = cv2.GaussianBlur(cv2.cvtColor(smooth, cv2.COLOR_BGR2LAB), (0, 0), 1.0).astype(np.float32)
    cross = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (3, 3))
    steps = cv2.morphologyEx(lab, cv2.MORPH_GRADIENT, cross)
    strength = np.sqrt((steps**2).sum(axis=2))
    paper = np.zeros(small.shape[:2], np.uint8)
    for corners in papers:
        cv2.fillPoly(paper, [np.round((corners + 0.5) * factor - 0.5).astype(np.int32)], 1)
    paper = cv2.dilate(paper, np.ones((3, 3), np.uint8))
    best, cut_off, on_page = _steadiest(strength, paper)
    if best is None:
        raise InputError([_why_none(cut_off, on_page)])
    ring = _outline_of(best[0], lab)
    return Region((ring + 0.5) / factor - 0.5, best[1])


def _steadiest(strength: np.ndarray, paper: np.ndarray) -> tuple[tuple[np.ndarray, int] | None, bool, bool]:
    """The largest part that stays; whether one is cut off by the rim, or lies on a page."""
    import cv2

    height, width = strength.shape
    least = MIN_SHARE * height * width
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * RIM + 1, 2 * RIM + 1))
    near_paper = cv2.dilate(paper, kernel)
    frame = np.zeros((height, width), bool)
    frame[: RIM + 2], frame[-RIM - 2 :], frame[:, : RIM + 2], frame[:, -RIM - 2 :] = True, True, True, True
    kept: list[list] = []  # [filled mask, count, touches rim, touches page]
    for threshold in THRESHOLDS:
        quiet = ((strength < threshold) & (paper == 0)).astype(np.uint8)
        core = cv2.erode(quiet, kernel, borderValue=1)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(core, connectivity=4)
        for label in range(1, count):
            if stats[label, cv2.CC_STAT_AREA] < least:
                continue
            own = (labels == label).astype(np.uint8)
            grown = cv2.dilate(own, kernel)
            touches_rim = bool((own[frame] > 0).any())
            touches_page = bool(((grown > 0) & (near_paper > 0)).any())
            filled = _filled(grown)
            for row in kept:
                both = int((row[0] & filled).sum())
                if row[2:] == [touches_rim, touches_page] and both >= SAME * int((row[0] | filled).sum()):
                    row[0], row[1] = filled, row[1] + 1
                    break
            else:
                kept.append([filled, 1, touches_rim, touches_page])
    steady = [row for row in kept if row[1] >= MIN_RANGE]
    # The largest: a shadow cuts it in parts that may stay as long as the whole.
    best = max((row for row in steady if not row[2] and not row[3]), key=_area, default=None)
    least = _area(best) if best else 0
    cut_off = any(
        row[2] and row[1] >= 2 * MIN_RANGE and least < _area(row) < MAX_SHARE * height * width for row in steady
    )
    on_page = any(row[3] and not row[2] and least < _area(row) for row in steady)
    found = (best[0], best[1]) if best and not cut_off and not on_page else None
    return found, cut_off and not on_page, on_page


def _area(row: list) -> int:
    return int(row[0].sum())


def _filled(mask: np.ndarray) -> np.ndarray:
    import cv2

    rings, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    full = np.zeros_like(mask)
    cv2.drawContours(full, rings, -1, 1, cv2.FILLED)
    return full


def _why_none(cut_off: bool, on_page: bool) -> Fault:
    if cut_off:
        return Fault("", "the template touches the picture's edge", "step back: show table all round it")
    if on_page:
        cure = "lay the pages at least 15 mm from the template and from each other, and show the table between them"
        return Fault("", "no template is seen that lies clear of the board pages", cure)
    cure = "show the whole template with table round it, lighter, darker or of another colour; no hard shadow on it"
    what = "no template is seen: nothing with a closed edge can be told from the table"
    return Fault("", what, cure)


def _outline_of(mask: np.ndarray, lab: np.ndarray) -> np.ndarray:
    """(n, 2) px: the outline where colours change most between the part and what lies a little outside."""
    import cv2

    grown = cv2.dilate(mask, np.ones((3, 3), np.uint8), iterations=2 * RIM + 2)
    inner = cv2.erode(mask, np.ones((3, 3), np.uint8), iterations=1)
    markers = np.zeros(mask.shape, np.int32)
    markers[inner > 0] = 1
    markers[grown == 0] = 2
    cv2.watershed(np.clip(lab, 0, 255).astype(np.uint8), markers)
    rings, _ = cv2.findContours((markers == 1).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return max(rings, key=len)[:, 0].astype(float)
