"""Photos of a template among board pages, rendered: the outline, camera, light and paper are known to the last digit.

Nothing of `stiffen.photo` is used but the pattern that is printed on a page.  Painted from far to near: table, pages
(curled, printed at a wrong scale), shadow beside the template, its cut edge, its face with pen lines.  Then light, a
shadow over all, lens blur, noise of the sensor, sRGB and JPEG.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon, box

from stiffen.photo.scene.board import BOARD_HEIGHT, BOARD_WIDTH, CELLS, MARKER, SQUARE, black_squares, marker_squares
from support.opencv import cv2

FINE = 4  # samples across a pixel at edges
PAPER = (210.0, 297.0)  # mm
RASTER = 8  # px per mm of a printed page
INK, WHITE = 0.04, 0.86  # reflectance


@dataclass(frozen=True)
class PaperPage:
    """number: of the board page.  at: where the middle of the paper lies, mm.  turn: degrees.

    lift: mm.  kind of curl: "end" (one end lifts), "arch" (the middle does), "corner", "sides" (both long sides).
    """

    number: int
    at: tuple[float, float]
    turn: float = 0.0
    lift: float = 2.0
    kind: str = "end"


@dataclass(frozen=True)
class Shot:
    """One photo.  tilt, azimuth, roll: degrees.  distance: mm from the middle.  k1, k2: radial distortion."""

    size: tuple[int, int] = (4000, 3000)
    film: float = 26.0  # mm, focal length on 35 mm film
    tilt: float = 20.0
    azimuth: float = 60.0
    roll: float = 3.0
    distance: float | None = None  # None: as near as shows all
    centre: tuple[float, float] = (0.004, -0.003)  # principal point off the middle, of the width
    k1: float = -0.06
    k2: float = 0.03
    blur: float = 0.7  # px
    noise: float = 0.006  # of white, at white
    jpeg: int = 90
    uneven: float = 0.35  # how much darker the dark side of the picture is
    shadow: float = 0.45  # how dark a shadow over a part of the scene is; 0: none
    shadow_soft: float = 12.0  # mm
    seed: int = 1
    shift: tuple[float, float] = (0.0, 0.0)  # mm, the camera looks past the middle


@dataclass(frozen=True)
class Template:
    """A template.  face, edge, table: reflectance, three numbers blue, green, red.  pens: (line, width, colour)."""

    outline: Polygon
    holes: tuple[tuple[float, float, float], ...] = ()
    thickness: float = 1.0
    face: tuple = (0.45, 0.58, 0.66)
    table: tuple = (0.10, 0.12, 0.13)
    edge_tone: float = 0.75  # of the face
    grain: float = 0.10  # of the table
    pens: tuple = field(default=())
    crease: tuple[tuple[float, float], tuple[float, float]] | None = None


def camera_of(shot: Shot, points: np.ndarray):
    """A function from world points to pixels, and one from pixels to the plane z; points: (n, 2) that must be seen."""
    width, height = shot.size
    focal = shot.film * np.hypot(width, height) / 43.27
    tilt, azimuth, roll = np.radians([shot.tilt, shot.azimuth, shot.roll])
    middle = np.append((points.min(axis=0) + points.max(axis=0)) / 2 + shot.shift, 0.0)
    back = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    up = np.array([0.0, 1.0, 0.0]) if abs(back[1]) < 0.9 else np.array([1.0, 0.0, 0.0])
    right = np.cross(up, back) / np.linalg.norm(np.cross(up, back))
    upward = np.cross(back, right)
    turn = np.array([right * np.cos(roll) + upward * np.sin(roll), right * np.sin(roll) - upward * np.cos(roll), -back])
    centre = np.array([(width - 1) / 2 + shot.centre[0] * width, (height - 1) / 2 + shot.centre[1] * width])
    distance = shot.distance

    def project(world, distance=None):
        distance = distance or chosen
        seen = (world - middle - back * distance) @ turn.T
        x = seen[:, :2] / seen[:, 2:]
        r2 = (x**2).sum(axis=1, keepdims=True)
        return x * (1 + shot.k1 * r2 + shot.k2 * r2**2) * focal + centre

    if distance is None:
        low = np.column_stack([points, np.zeros(len(points))])
        for distance in np.arange(300, 4000, 10.0):
            px = project(low, distance)
            if (px > 0.015 * width).all() and (px < np.array(shot.size) - 0.015 * width).all():
                break
    chosen = float(distance)

    def onto(pixels, z):
        d = (pixels - centre) / focal
        x = d.copy()
        for _ in range(30):
            r2 = (x**2).sum(axis=1, keepdims=True)
            x = d / (1 + shot.k1 * r2 + shot.k2 * r2**2)
        ray = np.column_stack([x, np.ones(len(x))]) @ turn
        eye = middle + back * chosen
        return eye[:2] + ray[:, :2] * ((z - eye[2]) / ray[:, 2])[:, None]

    return project, onto, centre, focal


def page_raster(number: int) -> np.ndarray:
    """The printed page, reflectance, RASTER px per mm, first row on top."""
    width, height = (int(round(side * RASTER)) for side in PAPER)
    page = np.full((height, width), WHITE, np.float32)
    x0, y0 = (PAPER[0] - BOARD_WIDTH) / 2, (PAPER[1] - BOARD_HEIGHT) / 2

    def fill(x, y, side, tone):
        a, b = round((x0 + x) * RASTER), round((x0 + x + side) * RASTER)
        c, d = round((PAPER[1] - y0 - y - side) * RASTER), round((PAPER[1] - y0 - y) * RASTER)
        page[c:d, a:b] = tone

    for x, y in black_squares():
        fill(x, y, SQUARE, INK)
    cell = MARKER / CELLS
    for x, y, cells in marker_squares(number):
        for row in range(CELLS):
            for column in range(CELLS):
                if cells[row, column]:
                    fill(x + column * cell, y + (CELLS - 1 - row) * cell, cell, INK)
    return page


def curl_height(page: PaperPage, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Height of the paper over the table at paper coordinates, mm; x and y from the paper's middle."""
    u, v = x / (PAPER[0] / 2), y / (PAPER[1] / 2)
    if page.kind == "arch":
        return page.lift * (1 - np.clip(v, -1, 1) ** 2)
    if page.kind == "sides":
        return page.lift * np.clip(np.abs(u) - 0.2, 0, None) ** 2 / 0.64
    if page.kind == "corner":
        return page.lift * np.clip(u + v - 0.4, 0, None) ** 2 / 1.6**2
    return page.lift * np.clip(v + 0.2, 0, None) ** 2 / 1.2**2


def paper_corners(page: PaperPage) -> np.ndarray:
    """(4, 2) corners of the sheet of paper on the table."""
    x, y = PAPER[0] / 2, PAPER[1] / 2
    turn = np.radians(page.turn)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return np.array([(-x, -y), (x, -y), (x, y), (-x, y)]) @ matrix.T + page.at


def render(template: Template, pages, shot: Shot, scale=(1.005, 0.997)):
    """The photo, (h, w, 3) uint8, blue, green, red.  scale: of the printer, across and along the feed."""
    rng = np.random.default_rng(shot.seed)
    width, height = shot.size
    must = [np.array(template.outline.exterior.coords), *(paper_corners(one) for one in pages)]
    project, onto, _, _ = camera_of(shot, np.concatenate(must))
    image = np.empty((height, width, 3), np.float32)
    rough = cv2.resize(
        rng.normal(size=(height // 60, width // 60)).astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    rough += 0.7 * cv2.resize(
        rng.normal(size=(height // 7, width // 7)).astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR
    )
    image[:] = np.array(template.table, np.float32) * (1 + template.grain * rough[..., None])
    for page in pages:
        _paint_page(image, page, project, onto, scale)
    _paint_template(image, template, project, rng)
    image *= _light(shot, template, project, rng)[..., None]
    if shot.blur:
        image = cv2.GaussianBlur(image, (0, 0), shot.blur)
    if shot.noise:
        image += rng.normal(size=image.shape).astype(np.float32) * shot.noise * np.sqrt(np.clip(image, 0.01, 1))
    image = np.clip(image * 1.05, 0, 1)
    coded = np.where(image <= 0.0031308, 12.92 * image, 1.055 * image ** (1 / 2.4) - 0.055)
    done = (coded * 255 + 0.5).astype(np.uint8)
    if shot.jpeg:
        done = cv2.imdecode(cv2.imencode(".jpg", done, [cv2.IMWRITE_JPEG_QUALITY, shot.jpeg])[1], cv2.IMREAD_COLOR)
    return done


def _paint_page(image, page, project, onto, scale):
    height, width = image.shape[:2]
    ring = paper_corners(page)
    high = np.concatenate([np.column_stack([ring, np.full(4, z)]) for z in (0.0, page.lift)])
    seen = project(high)
    a, b = np.clip(np.floor(seen.min(axis=0)) - 2, 0, [width, height]).astype(int)
    c, d = np.clip(np.ceil(seen.max(axis=0)) + 3, 0, [width, height]).astype(int)
    if c <= a or d <= b:
        return
    turn = np.radians(page.turn)
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    raster = page_raster(page.number)
    here = np.linalg.norm(seen[1] - seen[0]) / PAPER[0]
    raster = cv2.GaussianBlur(raster, (0, 0), max(0.3, 0.5 * RASTER / here))
    for row in range(b, d, 400):
        rows = np.arange(row, min(row + 400, d))
        px = np.stack(np.meshgrid(np.arange(a, c), rows), axis=-1).reshape(-1, 2).astype(float)
        z = np.zeros(len(px))
        for _ in range(4):
            local = (onto(px, z) - page.at) @ matrix
            z = curl_height(page, local[:, 0], local[:, 1])
        inside = (np.abs(local[:, 0]) <= PAPER[0] / 2) & (np.abs(local[:, 1]) <= PAPER[1] / 2)
        x = (local[:, 0] / scale[0] + PAPER[0] / 2) * RASTER - 0.5
        y = (PAPER[1] / 2 - local[:, 1] / scale[1]) * RASTER - 0.5
        maps = (one.astype(np.float32).reshape(len(rows), -1) for one in (x, y))
        tone = cv2.remap(raster, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        part = image[rows[0] : rows[-1] + 1, a:c]
        part[inside.reshape(len(rows), -1)] = tone[inside.reshape(len(rows), -1)][:, None]


def _cover(shape, rings, project, z, low, high):
    """Share of each pixel of the window low to high that polygons cover; rings: (n, 2) in the world, even-odd."""
    canvas = np.zeros(((high[1] - low[1]) * FINE, (high[0] - low[0]) * FINE), np.uint8)
    polygons = []
    for ring in rings:
        dense = np.array(shapely.segmentize(shapely.LinearRing(ring), 4.0).coords)
        px = (project(np.column_stack([dense, np.full(len(dense), z)])) - low + 0.5) * FINE - 0.5
        polygons.append(np.round(px * 256).astype(np.int32))
    cv2.fillPoly(canvas, polygons, 255, shift=8)
    small = cv2.resize(canvas, (high[0] - low[0], high[1] - low[1]), interpolation=cv2.INTER_AREA)
    return small.astype(np.float32) / 255


def _blend(image, cover, colour, low, high):
    part = image[low[1] : high[1], low[0] : high[0]]
    part += (np.asarray(colour, np.float32) - part) * cover[..., None]


def _paint_template(image, template, project, rng):
    t = template.thickness
    rings = [np.array(template.outline.exterior.coords), *(np.array(one.coords) for one in template.outline.interiors)]
    rings += [np.array(Point(x, y).buffer(d / 2, quad_segs=64).exterior.coords) for x, y, d in template.holes]
    world = np.concatenate([np.column_stack([ring, np.full(len(ring), z)]) for ring in rings for z in (0.0, t)])
    seen = project(world)
    limit = np.array([image.shape[1], image.shape[0]])
    low = np.clip(np.floor(seen.min(axis=0)) - 60, 0, limit).astype(int)
    high = np.clip(np.ceil(seen.max(axis=0)) + 60, 0, limit).astype(int)
    foot = _cover(None, rings, project, 0.0, low, high)
    per_mm = np.linalg.norm(seen[1] - seen[0]) / np.linalg.norm(world[1] - world[0])
    dark = cv2.GaussianBlur(foot, (0, 0), max(0.5, t * per_mm * 0.6))  # less sky is seen beside a standing edge
    image[low[1] : high[1], low[0] : high[0]] *= (1 - 0.35 * dark)[..., None]
    wall = np.zeros_like(foot)
    for z in np.linspace(0, t, max(3, int(np.ceil(t * per_mm * 1.5)))):
        wall = np.maximum(wall, _cover(None, rings, project, z, low, high))
    _blend(image, wall, np.array(template.face) * template.edge_tone, low, high)
    face = _cover(None, rings, project, t, low, high)
    paper = np.empty((*face.shape, 3), np.float32)
    grain = cv2.resize(
        rng.normal(size=(face.shape[0] // 3 + 1, face.shape[1] // 3 + 1)).astype(np.float32), face.shape[::-1]
    )
    paper[:] = np.array(template.face, np.float32) * (1 + 0.02 * grain[..., None])
    if template.crease:  # one side of a crease looks a little darker than the other, and the crease itself more
        line = LineString(template.crease)
        strip = _cover(None, [np.array(line.buffer(0.6).exterior.coords)], project, t, low, high)
        side = _cover(
            None,
            [np.array(line.buffer(2000, single_sided=True).intersection(box(-999, -999, 1999, 1999)).exterior.coords)],
            project,
            t,
            low,
            high,
        )
        paper *= (1 - 0.30 * strip - 0.08 * side)[..., None]
    for line, pen_width, colour in template.pens:
        shape = LineString(line).buffer(pen_width / 2)
        cover = _cover(
            None,
            [np.array(shape.exterior.coords), *(np.array(one.coords) for one in shape.interiors)],
            project,
            t,
            low,
            high,
        )
        paper += (np.asarray(colour, np.float32) - paper) * (0.9 * cover)[..., None]
    part = image[low[1] : high[1], low[0] : high[0]]
    part += (paper - part) * face[..., None]


def _light(shot, template, project, rng):
    """(h, w) light: it falls off to one side; a soft-edged shadow lies over a part of template and table."""
    width, height = shot.size
    x, y = np.meshgrid(np.linspace(-1, 1, width, dtype=np.float32), np.linspace(-1, 1, height, dtype=np.float32))
    light = 1 - shot.uneven * (0.5 + 0.3 * x + 0.2 * y) - 0.1 * shot.uneven * (x * x + y * y)
    if shot.shadow:
        x0, y0, x1, y1 = template.outline.bounds
        w = x1 - x0
        ring = np.array(
            [(x0 + 0.55 * w, y0 - 400), (x0 + 0.8 * w, y0 - 400), (x0 + 0.62 * w, y1 + 400), (x0 + 0.3 * w, y1 + 400)]
        )
        px = project(np.column_stack([ring, np.zeros(4)]))
        mask = np.zeros((height, width), np.float32)
        cv2.fillPoly(mask, [np.round(px).astype(np.int32)], 1.0)
        per_mm = np.linalg.norm(px[1] - px[0]) / np.linalg.norm(ring[1] - ring[0])
        light *= 1 - shot.shadow * cv2.GaussianBlur(mask, (0, 0), shot.shadow_soft * per_mm / 3)
    return light
