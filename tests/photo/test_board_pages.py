"""The printed pages are what OpenCV's detector expects, at 1:1."""

import numpy as np
import pytest
from support.opencv import cv2
from support.pdf import read

from stiffen.errors import InputError
from stiffen.output.drawing.pdf import Page
from stiffen.photo.board_pages import draw_board_page, write_board_pages
from stiffen.photo.scene.board import ACROSS, ALONG, BOARD_HEIGHT, BOARD_WIDTH, CORNERS, corner_places
from stiffen.photo.scene.corners import Photo, find_pages


@pytest.mark.parametrize(
    ("paper", "size"), [("a4", (210.0, 297.0)), pytest.param("letter", (215.9, 279.4), marks=pytest.mark.slow)]
)
def test_pdf_has_its_size_and_its_bars(tmp_path, paper, size):
    path = tmp_path / "board.pdf"
    write_board_pages(path, 2, paper)
    pages = read(path)
    assert len(pages) == 2
    width, height, strokes, _ = pages[0]
    assert (width, height) == pytest.approx(size, abs=0.05)
    ends = np.array([stroke.points for stroke in strokes if len(stroke.points) == 2])
    upright = sorted(x for (x, y0), (x1, y1) in ends if x == x1 and abs(y1 - y0) == pytest.approx(5.0, abs=0.01))
    level = sorted(y for (x0, y), (x1, y1) in ends if y == y1 and abs(x1 - x0) == pytest.approx(5.0, abs=0.01))
    assert upright[-1] - upright[0] == pytest.approx(ACROSS, abs=0.01)
    assert level[-1] - level[0] == pytest.approx(ALONG, abs=0.01)


def test_a_printed_page_is_found_by_the_detector(tmp_path):
    """Drawn as pixels by matplotlib's own renderer: every corner lies where it should, to a twentieth of a mm."""
    page = Page(210.0, 297.0)
    draw_board_page(page, 2, 4)
    path = tmp_path / "page.png"
    page.figure.savefig(path, dpi=254)
    pixels = cv2.imread(str(path))
    found, markers = find_pages(Photo("page", pixels, None))
    assert [one.page for one in found] == [2]
    assert markers == 27 and len(found[0].ids) == CORNERS
    mm = (found[0].pixels + 0.5) * 25.4 / 254
    low = np.array([(210 - BOARD_WIDTH) / 2, (297 - BOARD_HEIGHT) / 2])
    seen = np.column_stack([mm[:, 0], 297 - mm[:, 1]]) - low
    assert np.abs(seen - corner_places()[found[0].ids]).max() < 0.05


def test_too_many_pages_are_refused(tmp_path):
    with pytest.raises(InputError, match="1 to 12 pages"):
        write_board_pages(tmp_path / "board.pdf", 13)
    assert not list(tmp_path.iterdir())
