"""What is wrong with a photo, or with the lengths measured by hand, and what would do."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from stiffen.errors import Fault, InputError

from .scene.board import ACROSS, ALONG
from .scene.bundle import Scene
from .scene.corners import MIN_CORNERS, PageCorners, Photo
from .shape import Measured

MAX_PRINT_ERROR = 0.02  # of a length on the page: more is "fit to page", not a printer's own
MAX_SCALE_ERROR = 0.012  # of the longest length, between photo and tape, where the pages tell it well
LEAST_SURE = 0.03  # the same where they do not: one page seen from straight above
THICKNESS_RANGE = 0.05, 6.0  # mm
LONGEST_RANGE = 40.0, 6000.0  # mm
MAX_BLUR = 2.5  # px, standard deviation of a Gaussian blur
MAX_RESIDUAL = 1.5  # px, of the corners
PRE_BLUR, AGAIN = 1.0, 3.0  # px, by which a photo is blurred to measure its own blur
STRONGEST = 0.998  # quantile of the slopes that count as edges
MIN_SLOPE = 4.0  # grey levels a px, eighths (Sobel)
PRINT_CURE = 'print the pages at 100 % ("actual size") and measure them again'


def check_measured(measured: Measured) -> None:
    """InputError for lengths measured by hand that cannot be right."""
    faults = []
    for name, value, nominal in (("across", measured.across, ACROSS), ("along", measured.along, ALONG)):
        if not abs(value / nominal - 1) <= MAX_PRINT_ERROR:
            what = f"is {value:g} mm, and {nominal:g} mm at 100 %: the page was printed at {value / nominal:.1%}"
            faults.append(Fault(f"--{name}", what, PRINT_CURE))
    for name, value, (least, most) in (
        ("thickness", measured.thickness, THICKNESS_RANGE),
        ("longest", measured.longest, LONGEST_RANGE),
    ):
        if not least <= value <= most:
            faults.append(Fault(f"--{name}", f"is {value:g} mm", f"{least:g} to {most:g} mm"))
    if faults:
        raise InputError(faults)


def check_pages(
    photo: Photo, pages: Sequence[PageCorners], markers: int, before: Sequence[Sequence[PageCorners]]
) -> None:
    """InputError if no page can be placed in a photo, or none that a photo before it has shown."""
    if not pages:
        blur = blur_of_edges(photo)
        if blur is not None and blur > MAX_BLUR:
            what = f"shows no board page that can be read, as it is blurred: {_blur_text(blur)}"
            raise InputError([Fault(photo.name, what, _BLUR_CURE)])
        if markers:
            what = f"shows {markers} marker{'s' * (markers != 1)} of a board page, too few to place it"
            cure = f"show at least one page with {MIN_CORNERS} corners of its squares: whole, no glare, nothing on it"
            raise InputError([Fault(photo.name, what, cure)])
        cure = "print the pages by stiffen photo --board, lay them round the template, and show them whole"
        raise InputError([Fault(photo.name, "shows no board page", cure)])
    known = {one.page for own in before for one in own}
    if known and not known & {one.page for one in pages}:
        cure = "leave pages and template where they are, and show at least one page again in the next photo"
        raise InputError([Fault(photo.name, "shows no page that a photo before it shows", cure)])


_BLUR_CURE = "more light, hold the camera still or rest it on something, let it focus on the template, wipe the lens"


def _blur_text(sigma: float, scale: float | None = None) -> str:
    edge = 2.56 * sigma  # from 10 to 90 % of a step
    size = f", {edge / scale:.1f} mm on the table" if scale else ""
    return f"an edge is {edge:.1f} px wide{size}; at most {2.56 * MAX_BLUR:.1f} px"


def blur_of_edges(photo: Photo) -> float | None:
    """Standard deviation of the blur at the strongest edges of a photo, px; None for a picture without edges.

    Blurred once more by s0, the slope of a blurred step falls in the ratio R = sqrt((s2 + s0 s0) / s2), so that
    s = s0 / sqrt(R R - 1): Zhuo and Sim, Defocus map estimation from a single image, Pattern Recognition 44 (2011).
    """
    import cv2

    raw = cv2.cvtColor(photo.pixels, cv2.COLOR_BGR2GRAY).astype(np.float32)
    grey = cv2.GaussianBlur(raw, (0, 0), PRE_BLUR)  # takes the noise off
    slopes = []
    for blurred in (grey, cv2.GaussianBlur(grey, (0, 0), AGAIN)):
        slopes.append(np.hypot(cv2.Sobel(blurred, cv2.CV_32F, 1, 0), cv2.Sobel(blurred, cv2.CV_32F, 0, 1)))
    strong = slopes[0] >= np.quantile(slopes[0][::4, ::4], STRONGEST)
    ratio = float(np.median(slopes[0][strong] / np.maximum(slopes[1][strong], 1e-6)))
    if slopes[0][strong].min() < MIN_SLOPE or ratio <= 1.0:
        return None
    return math.sqrt(max(AGAIN**2 / (ratio**2 - 1) - PRE_BLUR**2, 0.0))


def check_sharp(photo: Photo, scene: Scene, number: int) -> None:
    """InputError for a photo that is blurred, or whose corners do not lie on flat pages."""
    blur = blur_of_edges(photo)
    if blur is not None and blur > MAX_BLUR:
        at = next(iter(scene.pages.values())).at
        scale = float(scene.cameras[number].scale_at(at[None])[0])
        raise InputError([Fault(photo.name, f"is blurred: {_blur_text(blur, scale)}", _BLUR_CURE)])
    if scene.residual > MAX_RESIDUAL:
        what = f"the squares of the pages lie {scene.residual:.1f} px from where flat pages would show them"
        cure = "lay the pages flat on one table; take the photo as the camera gives it, not cut out or straightened"
        raise InputError([Fault(photo.name, what, cure)])


def check_scale(name: str, longest: float, spread: float, measured: Measured) -> tuple[str, ...]:
    """InputError if photo and tape disagree on the longest length by more than their errors; else what to know of it.

    longest: by the board pages, mm; spread: its standard deviation, which is large with one page from straight above.
    """
    off = longest / measured.longest - 1
    unsure = 2 * spread / measured.longest
    if abs(off) > min(MAX_SCALE_ERROR + unsure, LEAST_SURE):
        by_tape = f"{measured.longest:g} mm was measured"
        what = f"the longest length is {longest:.1f} mm by the board pages, but {by_tape} ({off:+.1%})"
        cure = "is the board printed at another scale? measure --across and --along on the pages, and --longest, again"
        raise InputError([Fault(name, what, cure)])
    if unsure <= MAX_SCALE_ERROR:
        return ()
    return (
        f"the board pages alone tell the longest length to {2 * spread:.0f} mm only, so that the outline rests on "
        "--longest: measure it twice. A second page, or a slant of 20 degrees, makes the photo surer",
    )
