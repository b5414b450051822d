"""Templates and pages for rendered photos, hand-measured lengths with their errors, and how a reading is judged."""

from dataclasses import replace

import numpy as np
import shapely
from scipy.optimize import least_squares
from scipy.spatial.distance import pdist
from shapely.geometry import Point, box

from stiffen.photo.curves import ring_points
from stiffen.photo.shape import Measured
from support.opencv import cv2
from support.rendered_photo import PaperPage, Shot, Template, render

SCALE = (1.005, 0.997)  # of the printer, across and along the feed
FOUR = (
    PaperPage(0, (-130, 60), 0, 2, "end"),
    PaperPage(1, (-125, 365), 3, 2, "corner"),
    PaperPage(2, (635, 55), 182, 2, "sides"),
    PaperPage(3, (630, 360), -2, 2, "arch"),
)
ONE = (PaperPage(0, (250, -165), 90, 2, "end"),)  # beside the middle of the longer side
ARCHED = (replace(ONE[0], kind="arch"),)
HATCH = Template(
    box(0, 0, 500, 400).difference(Point(500, 400).buffer(60)).buffer(-20).buffer(20, quad_segs=64),
    ((30, 30, 4.2), (250, 30, 4.2), (470, 30, 4.2), (30, 370, 6.5), (250, 200, 30), (400, 300, 8.4)),
)
DARK = replace(HATCH, face=(0.10, 0.11, 0.12), table=(0.50, 0.56, 0.60), grain=0.05)
WHITE = replace(HATCH, face=(0.80, 0.80, 0.80), thickness=0.3)
CHEEK = Template(  # an L with sharp corners
    shapely.Polygon([(0, 0), (500, 0), (500, 160), (210, 160), (180, 400), (0, 400)]),
    ((20, 20, 5.0), (480, 20, 5.0), (20, 380, 5.0), (100, 200, 10.5)),
    thickness=2.0,
)
RED, BLUE, GREEN = (0.05, 0.04, 0.55), (0.45, 0.10, 0.04), (0.05, 0.35, 0.06)  # felt pens: blue, green, red reflectance


def dashes(a, b, dash=12.0, gap=8.0):
    """A dashed line as short lines."""
    a, b = np.array(a, float), np.array(b, float)
    length = np.linalg.norm(b - a)
    starts = np.arange(0, length, dash + gap)
    return [(tuple(a + (b - a) * s / length), tuple(a + (b - a) * min(s + dash, length) / length)) for s in starts]


PENS = tuple((line, 1.2, RED) for line in dashes((0, 345), (430, 345))) + (
    (((150, 100), (230, 100), (230, 160), (150, 160), (150, 100)), 1.2, BLUE),
    (((150, 120), (190, 160)), 1.2, BLUE),
    (((150, 100), (210, 160)), 1.2, BLUE),
    (((300, 60), (420, 110)), 1.0, (0.03, 0.03, 0.03)),  # a note in pencil, to be ignored
)
MARKED = replace(WHITE, pens=PENS, crease=((330, -50), (360, 450)), thickness=0.5)


def lengths(template, reading=0.0, long_reading=0.0):
    """What a person reads, mm: each length plus an error."""
    longest = pdist(np.array(template.outline.convex_hull.exterior.coords)).max()
    across, along = 160 * SCALE[0] + reading, 240 * SCALE[1] + reading
    return Measured(across, along, float(longest) + long_reading, template.thickness)


def save(image, path):
    """Write the photo as a JPEG of best quality: its own compression is rendered already."""
    path.write_bytes(cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 98])[1].tobytes())
    return path


def photo_file(path, template=HATCH, pages=FOUR, shot=Shot(), scale=SCALE):  # noqa: B008 - frozen
    return save(render(template, pages, shot, scale), path)


def moved(p, places):
    cos, sin = np.cos(p[2]), np.sin(p[2])
    return places @ np.array([[cos, sin], [-sin, cos]]) + p[:2]


def alignment(template, ring):
    """Shift and turn (the frame of a reading is its own) that bring a ring onto the true outline best."""
    true = template.outline.exterior
    middle, own = (np.array(one.centroid.coords[0]) for one in (template.outline, shapely.Polygon(ring)))
    best = None  # a reading's longest line lies along x, as one of the template's sides does
    for turn in np.arange(4) * np.pi / 2:
        start = np.array([*(middle - moved([0, 0, turn], own[None])[0]), turn])
        fit = least_squares(lambda p: shapely.distance(true, shapely.points(moved(p, ring[::12]))), start, max_nfev=40)
        if best is None or fit.cost < best.cost:
            best = fit
    return best.x


def errors(template, ring, holes):
    """Of 95 % of the outline's points, both ways, mm; of each hole's centre; of each hole's diameter.

    ring: (n, 2) read, dense.  holes: rows of x, y, diameter that were read.
    """
    p = alignment(template, ring)
    found = moved(p, ring)
    true = template.outline.exterior
    dense = shapely.get_coordinates(shapely.segmentize(true, 0.5))
    there = shapely.distance(true, shapely.points(found))
    back = shapely.distance(shapely.LinearRing(found), shapely.points(dense))
    outline = float(max(np.percentile(there, 95), np.percentile(back, 95)))
    holes = np.array(holes, float).reshape(-1, 3)
    centres = moved(p, holes[:, :2])
    places, widths = [], []
    for x, y, diameter in template.holes:
        away = np.append(np.hypot(*(centres - [x, y]).T), np.inf)
        near = int(np.argmin(away))
        places.append(float(away[near]))
        widths.append(float(abs(holes[near, 2] - diameter)) if near < len(holes) else np.inf)
    return outline, places, widths


def shape_errors(template, shape):
    """`errors` of a shape that was read."""
    return errors(template, ring_points(shape.pieces, 0.5)[0], [(*hole.at, hole.diameter) for hole in shape.holes])


FULL = Shot()  # 12 megapixels
READ_LONG = 0.15, -0.25  # mm, errors of reading: of both lengths on the page, of the longest
READ_SHORT = -0.15, 0.25
ACCURACY = {  # name: template, pages, shot, errors of reading, limits in mm of outline and of hole centres
    "four pages, 0 degrees": (HATCH, FOUR, replace(FULL, tilt=0), READ_LONG, (0.5, 0.4)),
    "four pages, 20 degrees": (HATCH, FOUR, FULL, READ_SHORT, (0.5, 0.4)),
    "four pages, 35 degrees": (HATCH, FOUR, replace(FULL, tilt=35, azimuth=200), READ_LONG, (0.5, 0.4)),
    "dark card on a light table, 15 degrees": (DARK, FOUR, replace(FULL, tilt=15, azimuth=300), READ_SHORT, (0.5, 0.4)),
    "white paper of 0.3 mm, 28 degrees, k1 +0.08": (
        WHITE, FOUR, replace(FULL, tilt=28, k1=0.08, k2=-0.03), READ_LONG, (0.5, 0.4)
    ),
    "L of 2 mm card, 35 degrees": (CHEEK, FOUR, replace(FULL, tilt=35, azimuth=120), READ_SHORT, (0.5, 0.4)),
    "pen lines, crease, JPEG 75, 25 degrees": (
        MARKED, FOUR, replace(FULL, tilt=25, jpeg=75, noise=0.012), READ_LONG, (0.5, 0.4)
    ),
    "one page, 0 degrees": (HATCH, ONE, replace(FULL, tilt=0), READ_LONG, (1.0, 1.0)),
    "one page that arches, 0 degrees": (HATCH, ARCHED, replace(FULL, tilt=0, azimuth=150), READ_SHORT, (1.0, 1.0)),
    "one page, 15 degrees": (HATCH, ONE, replace(FULL, tilt=15, azimuth=200), READ_SHORT, (1.0, 1.0)),
    "one page, 25 degrees": (HATCH, ONE, replace(FULL, tilt=25, azimuth=90), READ_LONG, (1.0, 1.0)),
    "one page, 35 degrees": (HATCH, ONE, replace(FULL, tilt=35, azimuth=60), READ_SHORT, (1.0, 1.0)),
}  # fmt: skip
