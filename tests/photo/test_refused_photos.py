"""Photos that must not become a panel: each is refused with its own reason, and says what would do."""

import re
from dataclasses import replace

import pytest
from support.photo_cases import FOUR, HATCH, SCALE, lengths, photo_file
from support.rendered_photo import Shot

from stiffen.errors import InputError
from stiffen.photo.read_template import read_template

SHOT = Shot(size=(1600, 1200), tilt=20)
SAME_AS_TABLE = replace(HATCH, face=(0.13, 0.15, 0.155), edge_tone=1.0)
HIDDEN = (replace(FOUR[0], at=(58, 200), lift=0),)
ON_A_PAGE = (replace(FOUR[0], at=(60, 60)), *FOUR[1:])
CUT_OFF = replace(SHOT, distance=850, tilt=5, shift=(350, 0))
FIT = (0.97, 0.97)  # "fit to page"
CASES = {
    "no board page": ({"pages": ()}, {}, "shows no board page"),
    "pages nearly hidden": ({"pages": HIDDEN}, {}, r"shows \d+ markers? of a board page, too few"),
    "blurred beyond reading": (
        {"shot": replace(SHOT, blur=7.0)},
        {},
        r"no board page that can be read, as it is blurred: an edge is 1[678]\.\d px wide; at most 6.4 px",
    ),
    "blurred": (
        {"shot": replace(SHOT, size=(3200, 2400), blur=3.4)},
        {},
        r"is blurred: an edge is [89]\.\d px wide, [34]\.\d mm on the table",
    ),
    "cut off by the picture": ({"shot": CUT_OFF}, {}, "touches the picture's edge"),
    "as dark as the table": ({"template": SAME_AS_TABLE}, {}, "can be told from the table"),
    "on a page": ({"pages": ON_A_PAGE}, {}, "clear of the board pages"),
    "printed to fit": ({"scale": FIT}, {}, r"longest length is 64\d\.\d mm by the board pages.*another scale"),
    "printed to fit and measured": ({"scale": FIT}, {"across": 155.2, "along": 232.8}, "printed at 97.0%"),
    "measured in inches": ({}, {"longest": 24.57}, r"--longest: is 24.57 mm \(40 to 6000 mm\)"),
    "too few pixels": ({"shot": replace(SHOT, size=(640, 480))}, {}, "has 640 x 480 pixels"),
}


@pytest.mark.slow
@pytest.mark.parametrize(("scene", "read", "told"), CASES.values(), ids=CASES)
def test_photo_is_refused(scene, read, told, tmp_path):
    template = scene.get("template", HATCH)
    path = photo_file(
        tmp_path / "photo.jpg", template, scene.get("pages", FOUR), scene.get("shot", SHOT), scene.get("scale", SCALE)
    )
    with pytest.raises(InputError) as refused:
        read_template([path], replace(lengths(template), **read))
    assert len(refused.value.faults) <= 2 and re.search(told, str(refused.value)), refused.value
    assert all(fault.cure for fault in refused.value.faults)


@pytest.mark.slow
def test_photos_of_different_tables_are_refused(tmp_path):
    paths = [photo_file(tmp_path / f"{k}.jpg", HATCH, pages, SHOT) for k, pages in enumerate((FOUR[:2], FOUR[2:]))]
    with pytest.raises(InputError, match="shows no page that a photo before it shows"):
        read_template(paths, lengths(HATCH))
