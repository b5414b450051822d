"""What was seen, drawn over the photo."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from stiffen.io.files import atomic_write

from .curves import ring_points
from .scene.camera import Camera
from .scene.corners import Photo
from .shape import TemplateShape

WIDTH = 1800  # px of the picture
OUTLINE, HOLE, FOLD, KEEP_OUT, PAGE = (
    (255, 0, 255),
    (255, 120, 0),
    (0, 0, 255),
    (255, 60, 0),
    (0, 170, 0),
)  # blue, green, red
JOINT = 5  # px, half side of the mark where two pieces meet
STRIP = 116  # px, height of the text below


def write_picture(shape: TemplateShape, photo: Photo, path: Path, number: int = 0) -> None:
    """Draw pages, outline with its joints, holes, folds and keep-outs over a photo, with a legend below, as PNG."""
    import cv2

    camera = shape.scene.cameras[number]
    factor = WIDTH / photo.pixels.shape[1]
    picture = cv2.resize(photo.pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)

    def line(places: np.ndarray, colour: tuple, width: int, height: float, closed: bool = True) -> None:
        seen = (_seen(camera, places, height) + 0.5) * factor - 0.5
        cv2.polylines(picture, [np.round(seen * 16).astype(np.int32)], closed, colour, width, cv2.LINE_AA, 4)

    def on_table(places: np.ndarray) -> np.ndarray:
        return np.asarray(places, float) @ shape.to_table[:, :2].T + shape.to_table[:, 2]

    for ring in shape.scene.paper_rings(number):
        seen = (ring + 0.5) * factor - 0.5
        cv2.polylines(picture, [np.round(seen * 16).astype(np.int32)], True, PAGE, 2, cv2.LINE_AA, 4)
    top = shape.thickness
    line(on_table(ring_points(shape.pieces, 1.0)[0]), OUTLINE, 2, top)
    for piece in shape.pieces:
        (x, y), *_ = (_seen(camera, on_table(np.array([piece.start])), top) + 0.5) * factor - 0.5
        corner = np.array([[x - JOINT, y - JOINT], [x + JOINT, y + JOINT]]).round().astype(int)
        cv2.rectangle(picture, tuple(map(int, corner[0])), tuple(map(int, corner[1])), OUTLINE, 1)
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    for count, hole in enumerate(shape.holes, 1):
        ring = np.array(hole.at) + hole.diameter / 2 * np.column_stack([np.cos(turn), np.sin(turn)])
        line(on_table(ring), HOLE, 2, top)
        (x, y), *_ = (_seen(camera, on_table(np.array([hole.at])), top) + 0.5) * factor - 0.5
        aside = 8 + hole.diameter / 2 * factor * float(camera.scale_at(on_table(np.array([hole.at])))[0])
        _text(picture, f"{count}: {hole.diameter:.1f}", (x + aside, y - 6), HOLE)
    for opening in shape.cutouts:
        line(on_table(np.array(opening)), HOLE, 2, top)
    for fold in shape.folds:
        line(on_table(np.array(fold)), FOLD, 2, top, closed=False)
    for place in shape.keep_outs:
        line(on_table(np.array(place)), KEEP_OUT, 2, top)
    picture = cv2.copyMakeBorder(picture, 0, STRIP, 0, 0, cv2.BORDER_CONSTANT, value=(255, 255, 255))
    _legend(picture, shape)
    with atomic_write(path) as fresh:
        fresh.write_bytes(cv2.imencode(".png", picture)[1].tobytes())


def _seen(camera: Camera, places: np.ndarray, height: float) -> np.ndarray:
    return camera.project(np.column_stack([places, np.full(len(places), height)]))


def _text(picture: np.ndarray, text: str, at: tuple[float, float], colour: tuple, size: float = 0.6) -> None:
    """Text on a white ground, so that it reads on light and dark."""
    import cv2

    x, y = round(at[0]), round(at[1])
    (width, height), below = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 1)
    cv2.rectangle(picture, (x - 3, y - height - 3), (x + width + 3, y + below), (255, 255, 255), cv2.FILLED)
    cv2.putText(picture, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, size, colour, 1, cv2.LINE_AA)


def _legend(picture: np.ndarray, shape: TemplateShape) -> None:
    x, y = 20, picture.shape[0] - STRIP + 32
    arcs = sum(1 for piece in shape.pieces if piece.bulge)
    entries = [
        (f"outline: {len(shape.pieces) - arcs} lines, {arcs} arcs", OUTLINE),
        (f"holes: {len(shape.holes)}, diameter in mm", HOLE),
        (f"folds: {len(shape.folds)}", FOLD),
        (f"keep-outs: {len(shape.keep_outs)}", KEEP_OUT),
        (f"board pages: {len(shape.scene.pages)}", PAGE),
    ]
    for text, colour in entries:
        _text(picture, text, (x, y), colour, 0.65)
        x += 24 + 12 * len(text)
    parts = ", ".join(f"{name} {value:.2f}" for name, value in shape.error_parts.items())
    _text(
        picture,
        f"expected error {shape.error:.2f} mm (95 % of the outline); from {parts}",
        (20, y + 34),
        (0, 0, 0),
        0.65,
    )
    _text(
        picture,
        "Is each line where it should be? If not: another photo, with more light.",
        (20, y + 66),
        (0, 0, 0),
        0.65,
    )
