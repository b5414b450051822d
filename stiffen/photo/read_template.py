"""From photos and hand-measured lengths to the template's shape: the whole of it, step by step."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from stiffen.errors import InputError

from .accuracy import error_parts, reading_spreads
from .checks import check_measured, check_pages, check_scale, check_sharp
from .curves import Piece, ring_points
from .holes import find_holes, level_picture
from .outline import farthest_points, panel_frame, scatter_about, trace_outline
from .pen_lines import find_pen_lines
from .scene.bundle import Scene, bundle_adjust, print_scale
from .scene.corners import PageCorners, Photo, find_pages, read_photo, require_opencv
from .scene.known_length import KnownLength, length_spread, with_length
from .segment import find_template
from .shape import Measured, RoundHole, TemplateShape


def read_template(
    paths: Sequence[str | Path], measured: Measured, progress: Callable[[float | None, str], None] = lambda _, __: None
) -> tuple[TemplateShape, list[Photo]]:
    """The shape of the template in one photo or several, and the photos.

    Several photos show the same pages and template, neither moved between them.  InputError names what is wrong with a
    photo and what to do: no board, too few markers, blurred, template at the picture's edge or not to be told from the
    table, lengths that do not agree.
    """
    require_opencv()
    check_measured(measured)
    photos: list[Photo] = []
    seen: list[list[PageCorners]] = []
    for k, path in enumerate(paths):
        progress(0.1 + 0.4 * k / len(paths), "looking for the board pages")
        photo = read_photo(path)
        pages, markers = find_pages(photo)
        check_pages(photo, pages, markers, seen)
        photos.append(photo)
        seen.append(pages)
    progress(0.5, "placing camera and pages")
    scale = print_scale(measured.across, measured.along)
    sizes = [(photo.pixels.shape[1], photo.pixels.shape[0]) for photo in photos]
    scene = bundle_adjust(seen, sizes, [photo.focal for photo in photos], scale)
    for k, photo in enumerate(photos):
        check_sharp(photo, scene, k)
    progress(0.7, "looking for the template")
    with_name = photos[0].name
    try:
        region = find_template(photos[0].pixels, scene.paper_rings(0))
    except InputError as error:
        raise InputError([replace(fault, where=with_name) for fault in error.faults]) from None
    progress(0.8, "measuring its edge")
    pieces, _ = trace_outline(photos, scene, region.ring, measured.thickness)
    ends = farthest_points(ring_points(pieces, 0.5)[0])
    longest = float(np.linalg.norm(ends[0] - ends[1]))
    pixels = scene.cameras[0].project(np.column_stack([ends, np.full(2, measured.thickness)]))
    known = KnownLength(pixels, measured.thickness, measured.longest, *reading_spreads())
    remarks = check_scale(photos[0].name, longest, length_spread(scene, known), measured)
    scene = with_length(scene, known)
    pieces, edge = trace_outline(photos, scene, region.ring, measured.thickness)
    return _shape(photos, scene, pieces, edge, measured.thickness, longest, remarks), photos


def _shape(
    photos: Sequence[Photo],
    scene: Scene,
    pieces: tuple[Piece, ...],
    edge: np.ndarray,
    thickness: float,
    longest: float,
    remarks: tuple[str, ...],
) -> TemplateShape:
    """Everything on the template, brought to the size that the measured lengths say, in the panel's frame."""
    ring, _ = ring_points(pieces, 0.5)
    scatter = scatter_about(pieces, edge)
    root = float(np.sqrt((scatter**2).mean()))
    parts, error = error_parts(scene, edge, thickness, root)
    level = level_picture(photos[0], scene.cameras[0], ring, thickness)
    holes, others = find_holes(photos, scene, level, _table_colour(photos[0], scene, pieces, thickness), thickness)
    folds, keep_outs = find_pen_lines(level, shapely.Polygon(ring))
    frame = panel_frame(pieces) * scene.size
    move = _Move(frame)
    return TemplateShape(
        pieces=tuple(Piece(move(one.start), move(one.stop), one.bulge) for one in pieces),
        holes=tuple(
            sorted((RoundHole(move(one.at), one.diameter * scene.size) for one in holes), key=lambda one: one.at)
        ),
        cutouts=tuple(tuple(map(move, one)) for one in others),
        folds=tuple((move(a), move(b)) for a, b in folds),
        keep_outs=tuple(tuple(map(move, one)) for one in keep_outs),
        edge=edge @ frame[:, :2].T + frame[:, 2],
        scatter=root,
        error=error,
        error_parts=parts,
        longest_in_photo=longest,
        scene=scene,
        thickness=thickness,
        to_table=_inverse(frame),
        remarks=remarks,
    )


class _Move:
    """Takes a place to another frame by a (2, 3) matrix."""

    def __init__(self, matrix: np.ndarray) -> None:
        self.matrix = matrix

    def __call__(self, place: Sequence[float]) -> tuple[float, float]:
        x, y = self.matrix[:, :2] @ np.asarray(place, float) + self.matrix[:, 2]
        return float(x), float(y)


def _inverse(frame: np.ndarray) -> np.ndarray:
    turn = np.linalg.inv(frame[:, :2])
    return np.column_stack([turn, -turn @ frame[:, 2]])


def _table_colour(photo: Photo, scene: Scene, pieces: tuple[Piece, ...], thickness: float) -> np.ndarray:
    """(3,) L*a*b* of the table 4 mm beside the template, median."""
    import cv2

    points, normals = ring_points(pieces, 2.0)
    beside = points + 4.0 * normals
    seen = scene.cameras[0].project(np.column_stack([beside, np.zeros(len(beside))])).astype(np.float32)
    colours = cv2.remap(photo.pixels, seen[None, :, 0], seen[None, :, 1], cv2.INTER_LINEAR)
    return np.median(cv2.cvtColor(colours, cv2.COLOR_BGR2LAB)[0].astype(float), axis=0)
