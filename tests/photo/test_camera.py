"""Camera and pages against OpenCV's own projection, and against scenes that are known."""

from dataclasses import replace

import numpy as np
import pytest
from support.opencv import cv2
from support.photo_cases import FOUR, HATCH, ONE, SCALE
from support.rendered_photo import Shot, camera_of, curl_height, paper_corners

from stiffen.photo.accuracy import geometry_error, reading_spreads
from stiffen.photo.scene.board import BOARD_HEIGHT, BOARD_WIDTH, corner_places
from stiffen.photo.scene.bundle import bundle_adjust
from stiffen.photo.scene.camera import Camera
from stiffen.photo.scene.corners import PageCorners
from stiffen.photo.scene.known_length import KnownLength, with_length

CAMERA = Camera(
    3000.0,
    np.array([2010.0, 1490.0]),
    np.array([-0.06, 0.03]),
    np.array([2.9, 0.2, -0.3]),
    np.array([-200.0, 150, 900]),
)
PLACES = np.stack(np.meshgrid(np.linspace(0, 500, 6), np.linspace(0, 400, 5)), axis=-1).reshape(-1, 2)


def test_projection_is_that_of_opencv():
    high = np.column_stack([PLACES, np.linspace(-3, 3, len(PLACES))])
    matrix = np.array([[3000.0, 0, 2010], [0, 3000, 1490], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(high, CAMERA.turn, CAMERA.shift, matrix, np.array([-0.06, 0.03, 0, 0]))
    assert CAMERA.project(high) == pytest.approx(theirs[:, 0], abs=1e-6)


@pytest.mark.parametrize("height", [0.0, 2.0])
def test_pixels_lead_back_to_the_plane(height):
    pixels = CAMERA.project(np.column_stack([PLACES, np.full(len(PLACES), height)]))
    assert CAMERA.on_plane(pixels, height) == pytest.approx(PLACES, abs=1e-5)


def corners_seen(pages, shot, noise=0.04):
    """The corners of curled pages as a camera sees them, computed by the renderer's own projection."""
    rng = np.random.default_rng(0)
    shown = np.concatenate([np.array(HATCH.outline.exterior.coords), *(paper_corners(page) for page in pages)])
    project, *_ = camera_of(shot, shown)
    found = []
    for page in pages:
        local = (corner_places() - [BOARD_WIDTH / 2, BOARD_HEIGHT / 2]) * SCALE
        turn = np.radians(page.turn)
        matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        pixels = project(np.column_stack([local @ matrix.T + page.at, curl_height(page, *local.T)]))
        found.append(PageCorners(page.number, np.arange(len(pixels)), pixels + rng.normal(size=pixels.shape) * noise))
    return found, project


def form_error(camera, project, thickness=1.0, size=1.0):
    """Of 95 % of a grid over the template, mm, after shift and turn."""
    found = camera.on_plane(project(np.column_stack([PLACES, np.full(len(PLACES), thickness)])), thickness) * size
    a, b = PLACES - PLACES.mean(axis=0), found - found.mean(axis=0)
    u, _, v = np.linalg.svd(a.T @ b)
    return float(np.percentile(np.linalg.norm(a @ u @ v - b, axis=1), 95))


def test_four_curled_pages_give_the_plan(tilt=35):
    shot = Shot(tilt=tilt)
    seen, project = corners_seen(FOUR, shot)
    scene = bundle_adjust([seen], [shot.size], [None], SCALE)
    assert scene.residual < 0.08
    assert scene.cameras[0].tilt == pytest.approx(tilt, abs=0.6)
    assert form_error(scene.cameras[0], project) < 0.15


@pytest.mark.parametrize("kind", ["end", "arch", "sides"])
def test_a_long_length_mends_the_slant_of_one_page_from_above(kind, reading=-0.5):
    """From straight above a curl looks like a slant; a diagonal read 0.5 mm wrong tells them apart."""
    shot = Shot(tilt=0, azimuth=60)
    seen, project = corners_seen((replace(ONE[0], kind=kind),), shot)
    scene = bundle_adjust([seen], [shot.size], [None], SCALE)
    ends = project(np.array([(0, 400, 1.0), (500, 0, 1.0)]))
    known = KnownLength(ends, 1.0, float(np.hypot(500, 400)) + reading, *reading_spreads())
    mended = with_length(scene, known)
    assert form_error(scene.cameras[0], project) > 1.5
    assert form_error(mended.cameras[0], project, size=mended.size) < 1.0
    pixels = project(np.column_stack([PLACES, np.ones(len(PLACES))]))
    form, size = geometry_error(mended, pixels, 1.0)
    assert 0.3 < form < 2.0 and size < 0.003  # the error that is told is of the size that is seen


@pytest.mark.slow
def test_two_photos_share_their_pages():
    shots = Shot(tilt=25, azimuth=80), Shot(tilt=30, azimuth=250)
    seen, projects = zip(*(corners_seen(FOUR[:2], shot) for shot in shots), strict=True)
    scene = bundle_adjust(seen, [shot.size for shot in shots], [None, None], SCALE)
    assert len(scene.cameras) == 2 and set(scene.pages) == {0, 1}
    for camera, project in zip(scene.cameras, projects, strict=True):
        assert form_error(camera, project) < 0.4


@pytest.mark.slow
def test_a_wrong_print_scale_shows():
    """Without the measured lengths the plan is off by the printer's half per cent: the lengths are needed."""
    shot = Shot(tilt=20)
    seen, project = corners_seen(FOUR, shot)
    scene = bundle_adjust([seen], [shot.size], [None], (1.0, 1.0))
    assert form_error(scene.cameras[0], project) > 0.4
