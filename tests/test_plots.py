"""Pictures: written whole at 150 dpi, one scale a row, every label with its unit, no global state."""

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread
from PIL import Image
from trike import FLAT, FRAME, GOOD, LAYOUT, PANEL, verdict

from stiffen import plots
from stiffen.errors import InputError
from stiffen.layout import Layout


@pytest.fixture
def figure(monkeypatch):
    """Keeps the figure instead of writing it."""
    kept = []
    monkeypatch.setattr(plots, "_save", lambda figure, path: kept.append(figure))
    return kept


def texts(figure):
    import matplotlib.text

    return [text.get_text() for text in figure.findobj(matplotlib.text.Text) if text.get_text()]


def test_before_after_is_a_png_of_150_dpi(tmp_path):
    path = tmp_path / "before_after.png"
    plots.before_after(PANEL, FLAT, GOOD, path, "flat sheet", "found")
    with Image.open(path) as image:
        assert image.format == "PNG"
        assert image.info["dpi"] == pytest.approx((150, 150), abs=0.1)
        assert image.size[0] == 11 * 150
    assert list(tmp_path.iterdir()) == [path]


def test_both_columns_share_one_scale(figure):
    plots.before_after(PANEL, FLAT, GOOD, "", "flat sheet", "found")
    maps = figure[0].axes[:4]
    for left, right in (maps[:2], maps[2:]):
        levels = [[part.levels for part in axis.collections if part.filled][0] for axis in (left, right)]
        assert np.array_equal(*levels)
        assert levels[0][0] == 0
    deflection = [part.levels for part in maps[0].collections if part.filled][0]
    assert deflection[-1] >= 2.4 > deflection[-2]


def test_flat_is_drawn_darker_in_the_middle(tmp_path):
    path = tmp_path / "before_after.png"
    plots.before_after(PANEL, FLAT, verdict(Layout(1.0)), path, "flat sheet", "the same, stiffer")
    grey = imread(path)[..., :3].mean(axis=2)
    high, wide = grey.shape
    row = slice(int(0.25 * high), int(0.33 * high))
    left = grey[row, int(0.20 * wide) : int(0.25 * wide)].mean()
    right = grey[row, int(0.64 * wide) : int(0.69 * wide)].mean()
    assert left < right - 0.2


def test_labels_carry_their_units(figure):
    plots.before_after(PANEL, FLAT, GOOD, "", "flat sheet", "found")
    told = "\n".join(texts(figure[0]))
    for part in (
        "deflection in case wind, mm",
        "give under a push, mm per 100 N",
        "first mode 24.0 Hz",
        "first mode 52.0 Hz",
        "2.40 mm (large deflection), limit 1.5 mm",
        f"softest place {100 * GOOD.maps.softness[:, 2].max():.2f} mm per 100 N",
        "1 mm, 0.566 kg",
    ):
        assert part in told


def test_the_worst_case_is_shown(figure):
    worse = replace(GOOD.demands[0], case="foot", margin=-0.5, value=2.25, label="deflection foot")
    fields = replace(FLAT.maps, deflection={"wind": FLAT.maps.deflection["wind"], "foot": FLAT.maps.deflection["wind"]})
    judged = replace(GOOD, demands=(*GOOD.demands, worse), maps=fields)
    plots.before_after(PANEL, replace(FLAT, maps=fields), judged, "", "flat sheet", "found")
    assert "deflection in case foot, mm" in texts(figure[0])


def test_a_row_without_data_is_left_out(figure):
    bare = replace(GOOD, maps=replace(GOOD.maps, deflection={}))
    plots.before_after(PANEL, bare, bare, "", "flat sheet", "found")
    told = "\n".join(texts(figure[0]))
    assert "deflection in case" not in told
    assert "mm per 100 N" in told
    nothing = replace(GOOD, maps=replace(GOOD.maps, deflection={}, softness=np.empty((0, 3)), modes=()))
    plots.maps_picture(PANEL, [("as judged", nothing)], "")
    assert "mm per 100 N" not in "\n".join(texts(figure[1]))


def test_an_unmoved_panel_is_drawn_too(tmp_path):
    still = replace(
        GOOD.maps, deflection={"wind": np.zeros(len(GOOD.maps.plan))}, softness=GOOD.maps.softness * [1, 1, 0]
    )
    plots.maps_picture(PANEL, [("still", replace(GOOD, maps=still))], tmp_path / "still.png")
    assert (tmp_path / "still.png").stat().st_size > 10_000


def test_few_places_of_softness_are_drawn_as_dots(figure):
    few = replace(GOOD.maps, deflection={}, softness=np.array([[100.0, 100.0, 0.01], [200.0, 200.0, 0.02]]))
    plots.maps_picture(PANEL, [("few", replace(GOOD, maps=few))], "")
    assert "softest place 2.00 mm per 100 N" in "\n".join(texts(figure[0]))


def test_maps_are_needed():
    with pytest.raises(ValueError, match="needs maps"):
        plots.before_after(PANEL, FLAT, verdict(LAYOUT, maps=False), "x.png", "flat", "found")


def test_layout_picture_names_every_bead_hole_and_size(figure):
    plots.layout_picture(PANEL, LAYOUT, "")
    told = texts(figure[0])
    assert {"1: B16, 440 mm", "2: B16, 380 mm", "H1\n36.7", "H2\n36.7", "60, 110", "500, 110"} <= set(told)
    assert {
        "X from the datum corner, mm",
        "Y from the datum corner, mm",
        "stands proud up",
        "stands proud down",
    } <= set(told)
    assert any("560.0 x 380.0 mm" in words and "1 mm thick" in words for words in told)


@pytest.mark.parametrize("layout", [LAYOUT, FRAME, Layout(1.0)], ids=["beads and holes", "frame", "flat"])
def test_layout_picture_is_written(tmp_path, layout):
    plots.layout_picture(PANEL, layout, tmp_path / "layout.png")
    image = imread(tmp_path / "layout.png")
    assert image.shape[1] == 9 * 150
    assert 0.05 < (image[..., :3].mean(axis=2) < 0.99).mean() < 0.95


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(InputError, match=r"layout\.png: cannot be written"):
        plots.layout_picture(PANEL, LAYOUT, tmp_path / "nowhere" / "layout.png")


def test_shades_get_darker_all_the_way():
    """Relative luminance as WCAG 2 defines it falls from shade to shade, so a grey printer keeps the order."""
    shades = np.array([[int(one[i : i + 2], 16) / 255 for i in (1, 3, 5)] for one in plots.SCALE])
    light = np.where(shades <= 0.04045, shades / 12.92, ((shades + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(light) < -0.01).all()


def test_global_state_is_left_alone(tmp_path):
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from trike import PANEL, LAYOUT\n"
        "from stiffen.plots import layout_picture\n"
        "assert 'matplotlib' not in sys.modules\n"
        "layout_picture(PANEL, LAYOUT, sys.argv[2])\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    here = Path(__file__).parent
    source = {**os.environ, "PYTHONPATH": str(Path(plots.__file__).parent.parent)}
    subprocess.run([sys.executable, "-c", code, here, tmp_path / "layout.png"], check=True, env=source)
    assert (tmp_path / "layout.png").exists()
