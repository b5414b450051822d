"""Pictures: written whole at 200 dpi, one scale a row, every label with its unit, no global state."""

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread
from PIL import Image
from shapely.geometry import Polygon
from support.figures import overlapping
from support.trike import FLAT, FRAME, GOOD, LAYOUT, PANEL, verdict

from stiffen.errors import InputError
from stiffen.model.layout import Layout
from stiffen.output.plots import field_maps, layout_picture, load_deflection_plot, style


@pytest.fixture
def figure(monkeypatch):
    """Keeps the figure instead of writing it."""
    kept = []
    for module in (field_maps, layout_picture, load_deflection_plot):
        monkeypatch.setattr(module, "save_png", lambda figure, path: kept.append(figure))
    return kept


def texts(figure):
    import matplotlib.text

    return [text.get_text() for text in figure.findobj(matplotlib.text.Text) if text.get_text()]


def test_before_after_is_a_png_of_200_dpi(tmp_path):
    path = tmp_path / "before_after.png"
    field_maps.before_after_picture(PANEL, FLAT, GOOD, path, flat_title="flat sheet", found_title="found")
    with Image.open(path) as image:
        assert image.format == "PNG"
        assert image.info["dpi"] == pytest.approx((200, 200), abs=0.1)
        assert image.size[0] == 1500  # 7.5 inches: an upright page
    assert list(tmp_path.iterdir()) == [path]


def test_both_columns_share_one_scale(figure):
    field_maps.before_after_picture(PANEL, FLAT, GOOD, "", flat_title="flat sheet", found_title="found")
    maps = figure[0].axes[:4]
    for left, right in (maps[:2], maps[2:]):
        levels = [[part.levels for part in axis.collections if part.filled][0] for axis in (left, right)]
        assert np.array_equal(*levels)
        assert levels[0][0] == 0
    deflection = [part.levels for part in maps[0].collections if part.filled][0]
    assert deflection[-1] >= 2.4 > deflection[-2]


def test_a_far_better_layout_has_a_scale_of_its_own_and_the_label_says_so(figure):
    better = verdict(LAYOUT, deflection=0.3)
    field_maps.before_after_picture(PANEL, FLAT, better, "", flat_title="flat sheet", found_title="found")
    maps = figure[0].axes[:2]
    tops = [[part.levels for part in axis.collections if part.filled][0][-1] for axis in maps]
    assert tops[0] >= 2.4 and 0.3 <= tops[1] < 0.4
    told = " ".join(" ".join(texts(figure[0])).split())
    assert told.count("deflection in case wind, mm (scale of this map alone)") == 2
    assert "softness under a push, mm per 100 N; computed at the dots" in told  # equal fields share their scale


def test_numbers_of_a_scale_have_no_exponent(figure):
    soft = replace(FLAT, fields=replace(FLAT.fields, softness=FLAT.fields.softness * [1, 1, 1000]))
    field_maps.before_after_picture(PANEL, soft, soft, "", flat_title="flat sheet", found_title="found")
    figure[0].draw_without_rendering()
    assert not [words for words in texts(figure[0]) if "e+" in words]
    assert style.figures(1234.5) == "1234"
    assert [style.figures(value) for value in (0.0999, 0.09996, 12.34, 999.7)] == ["0.0999", "0.100", "12.3", "1000"]


def test_flat_is_drawn_darker_in_the_middle(tmp_path):
    path = tmp_path / "before_after.png"
    field_maps.before_after_picture(
        PANEL, FLAT, verdict(Layout(1.0)), path, flat_title="flat sheet", found_title="the same, stiffer"
    )
    grey = imread(path)[..., :3].mean(axis=2)
    high, wide = grey.shape
    row = slice(int(0.25 * high), int(0.33 * high))
    left = grey[row, int(0.20 * wide) : int(0.25 * wide)].mean()
    right = grey[row, int(0.64 * wide) : int(0.69 * wide)].mean()
    assert left < right - 0.2


def test_labels_carry_their_units(figure):
    field_maps.before_after_picture(PANEL, FLAT, GOOD, "", flat_title="flat sheet", found_title="found")
    told = "\n".join(texts(figure[0]))
    for part in (
        "deflection in case wind, mm",
        "softness under a push, mm per 100 N",
        "first mode 24.0 Hz",
        "first mode 52.0 Hz",
        "2.40 mm, limit 1.5 mm\n(large deflection)",
        f"softest {100 * GOOD.fields.softness[:, 2].max():.2f} mm per 100 N",
        "1 mm, 0.566 kg",
    ):
        assert part in told


def test_the_worst_case_is_shown(figure):
    worse = replace(GOOD.demands[0], case="foot", margin=-0.5, value=2.25, label="deflection foot")
    fields = replace(
        FLAT.fields, deflection={"wind": FLAT.fields.deflection["wind"], "foot": FLAT.fields.deflection["wind"]}
    )
    evaluated = replace(GOOD, demands=(*GOOD.demands, worse), fields=fields)
    field_maps.before_after_picture(
        PANEL, replace(FLAT, fields=fields), evaluated, "", flat_title="flat sheet", found_title="found"
    )
    assert "deflection in case foot, mm" in texts(figure[0])


def test_a_row_without_data_is_left_out(figure):
    bare = replace(GOOD, fields=replace(GOOD.fields, deflection={}))
    field_maps.before_after_picture(PANEL, bare, bare, "", flat_title="flat sheet", found_title="found")
    told = "\n".join(texts(figure[0]))
    assert "deflection in case" not in told
    assert "mm per 100 N" in told
    nothing = replace(GOOD, fields=replace(GOOD.fields, deflection={}, softness=np.empty((0, 3)), modes=()))
    field_maps.maps_picture(PANEL, [("as evaluated", nothing)], "")
    assert "mm per 100 N" not in "\n".join(texts(figure[1]))


def test_a_panel_without_deflection_is_drawn_too(tmp_path):
    still = replace(
        GOOD.fields,
        deflection={"wind": np.zeros(len(GOOD.fields.plan_nodes))},
        softness=GOOD.fields.softness * [1, 1, 0],
    )
    field_maps.maps_picture(PANEL, [("still", replace(GOOD, fields=still))], tmp_path / "still.png")
    assert (tmp_path / "still.png").stat().st_size > 10_000


def test_few_softness_points_are_drawn_as_dots(figure):
    few = replace(GOOD.fields, deflection={}, softness=np.array([[100.0, 100.0, 0.01], [200.0, 200.0, 0.02]]))
    field_maps.maps_picture(PANEL, [("few", replace(GOOD, fields=few))], "")
    assert "softest 2.00 mm per 100 N" in "\n".join(texts(figure[0]))


def test_softness_keeps_computed_values_and_does_not_overshoot(figure):
    """The drawn surface keeps the computed values at their points and never exceeds the largest of them."""
    ridge = GOOD.fields.softness.copy()
    ridge[:, 2] = 0.01 * (ridge[:, 0] > 280)  # a step, which a smooth surface would overshoot
    field_maps.maps_picture(
        PANEL, [("step", replace(GOOD, fields=replace(GOOD.fields, deflection={}, softness=ridge)))], ""
    )
    (axis,) = [axis for axis in figure[0].axes if axis.get_title()]
    (dots,) = [line for line in axis.lines if line.get_marker() == "."]
    assert np.array_equal(np.column_stack(dots.get_data()), ridge[:, :2])
    filled = next(part for part in axis.collections if part.filled)
    assert filled.cvalues.max() < filled.levels[-1]
    assert filled.zmin >= 0
    assert filled.zmax == pytest.approx(1.0)


def test_stress_is_told_as_a_share_of_yield(figure):
    stress = np.full(len(GOOD.fields.triangles), 20.0)
    stress[7] = 100.0
    evaluated = replace(GOOD, fields=replace(GOOD.fields, stress={"wind": stress}))
    field_maps.stress_picture(PANEL, [("found", evaluated)], "")
    told = "\n".join(texts(figure[0]))
    assert "largest (cross) 1.25 of yield,\n100 MPa" in told  # yield 80 MPa
    assert "over yield" in told
    assert "von Mises stress over yield, case wind" in told
    axis = figure[0].axes[0]
    (cross,) = [line for line in axis.lines if line.get_marker() == "x"]
    corners = GOOD.fields.plan_nodes[GOOD.fields.triangles[7]]
    assert np.ravel(cross.get_data()) == pytest.approx(corners.mean(axis=0))
    (outline,) = [line for line in axis.lines if line.get_color() == "white"]  # of that triangle
    assert Polygon(np.transpose(outline.get_data())).equals(Polygon(corners))


def test_a_mode_shows_both_directions(figure):
    x, y = GOOD.fields.plan_nodes.T
    shape = np.sin(2 * np.pi * x / 560) * np.sin(np.pi * y / 380)
    evaluated = replace(GOOD, fields=replace(GOOD.fields, modes=((61.5, shape / np.abs(shape).max()),)))
    field_maps.mode_picture(PANEL, [("found", evaluated)], "")
    assert "share of its amplitude" in "\n".join(texts(figure[0]))
    lines = [part for part in figure[0].axes[0].collections if not part.filled]
    assert any((part.levels < 0).all() for part in lines)
    assert not any(0.0 in part.levels for part in lines)


def test_every_case_has_its_row(figure):
    two = {"wind": GOOD.fields.deflection["wind"], "knee": 2 * GOOD.fields.deflection["wind"]}
    evaluated = replace(GOOD, fields=replace(GOOD.fields, deflection=two))
    field_maps.deflection_picture(PANEL, [("found", evaluated)], "")
    assert {"deflection in case wind, mm", "deflection in case knee, mm"} <= set(texts(figure[0]))


def test_maps_are_needed():
    with pytest.raises(ValueError, match="needs result fields"):
        field_maps.before_after_picture(
            PANEL, FLAT, verdict(LAYOUT, maps=False), "x.png", flat_title="flat", found_title="found"
        )


def test_layout_picture_shows_where_the_worst_push_stands(figure):
    pushed = replace(GOOD.demands[1], at=(312.0, 145.5))
    layout_picture.layout_picture(PANEL, LAYOUT, "", verdict=replace(GOOD, demands=(pushed,)))
    (axis,) = figure[0].axes
    (mark,) = [line for line in axis.lines if line.get_marker() == "X"]
    assert (mark.get_xdata()[0], mark.get_ydata()[0]) == (312.0, 145.5)
    assert "worst push, 10 N: 0.3 mm" in [text.get_text() for text in axis.get_legend().get_texts()]


def test_layout_picture_names_every_bead_hole_and_size(figure):
    layout_picture.layout_picture(PANEL, LAYOUT, "")
    told = texts(figure[0])
    # numbers in rolling order: the two B16 beads first, the one nearer to the middle of the sheet before the other
    assert {"1: B16, 380 mm", "2: B16, 440 mm", "H1", "H2"} <= set(told)
    assert {
        "X from the datum corner, mm",
        "Y, mm",
        "stands proud up",
        "stands proud down",
    } <= set(told)
    assert any("560.0 x 380.0 mm" in words and "1 mm thick" in words for words in told)


def test_all_places_stand_in_the_list_figures_under_each_other(figure):
    layout_picture.layout_picture(PANEL, LAYOUT, "")
    (listed,) = [words for words in texts(figure[0]) if "cut 36.7" in words]
    for part in ("H1 cut 36.7 at 150.0, 160.0", "H2 cut 36.7 at 480.0, 330.0", "1 B16 60.0, 210.0 to 440.0, 210.0",
                 "2 B16 60.0, 110.0 to 500.0, 110.0", "3 B20 60.2, 290.0 to 500.0, 270.1"):  # fmt: skip
        assert part in " ".join(listed.split())
    first, second, *_ = listed.splitlines()
    assert first.index(" to ") == second.index(" to ")
    assert max(map(len, listed.splitlines())) <= layout_picture.LIST_LINE_CHARS
    short = replace(LAYOUT.beads[0], path=((100.0, 200.0), (150.0, 200.0)))
    layout_picture.layout_picture(PANEL, Layout(1.0, (short,)), "")
    told = texts(figure[1])
    assert "1" in told
    assert "1 B16 100.0, 200.0 to 150.0, 200.0" in told


def test_dollars_in_a_name_are_no_formula(tmp_path):
    dear = replace(PANEL, name=r"lid of 5 $ or \frac{1 $")
    layout_picture.layout_picture(dear, LAYOUT, tmp_path / "layout.png")
    field_maps.before_after_picture(dear, FLAT, GOOD, tmp_path / "maps.png", flat_title="flat", found_title="$found_$")
    assert {path.name for path in tmp_path.iterdir()} == {"layout.png", "maps.png"}


def test_a_long_list_stands_in_columns(figure):
    many = tuple(replace(LAYOUT.holes[0], at=(40.0 * n, 100.0)) for n in range(1, 12))
    layout_picture.layout_picture(PANEL, Layout(1.0, LAYOUT.beads[2:], many), "")
    (listed,) = [words for words in texts(figure[0]) if "cut 36.7" in words]
    beads, *holes = listed.splitlines()
    assert beads.startswith("1 B20")
    assert len(holes) == 6
    assert holes[0].startswith("H1  cut 36.7 at  40.0, 100.0  ")
    assert all(f"H{n} cut" in " ".join(listed.split()) for n in range(1, 12))


def test_text_does_not_overlap_and_is_3_mm_high(figure):
    import matplotlib.text

    layout_picture.layout_picture(PANEL, LAYOUT, "")
    field_maps.before_after_picture(PANEL, FLAT, GOOD, "", flat_title="flat sheet", found_title="found")
    for one in figure:
        assert overlapping(one) == ([], [])
        sizes = [text.get_fontsize() for text in one.findobj(matplotlib.text.Text) if text.get_text()]
        assert min(sizes) * 0.729 * 25.4 / 72 >= 3.0  # capitals of the face used are 0.729 em high


@pytest.mark.parametrize(("long", "high"), [(1800.0, 120.0), (80.0, 60.0), (120.0, 900.0)])
def test_words_keep_apart_on_sheets_of_every_shape(figure, long, high):
    stretch = np.array([long / 560, high / 380])
    corners = ((0.0, 0.0), (long, 0.0), (long, high), (0.0, high))
    bare = dict.fromkeys(("cutouts", "supports", "keep_outs", "folds"), ())
    panel = replace(PANEL, outline=corners, name="a sill strip with a name of many letters, left and right", **bare)
    holes = tuple(replace(LAYOUT.holes[0], at=(long * (0.2 + 0.15 * n), 0.5 * high)) for n in range(4))
    layout = Layout(1.0, (), holes)
    flat, found = (
        replace(
            one,
            layout=layout,
            fields=replace(one.fields, plan_nodes=one.fields.plan_nodes * stretch, softness=softness),
        )
        for one in (FLAT, GOOD)
        for softness in [one.fields.softness * [*stretch, 1.0]]
    )
    layout_picture.layout_picture(panel, layout, "")
    field_maps.before_after_picture(panel, flat, found, "", flat_title="flat sheet", found_title="found")
    for one in figure:
        assert overlapping(one) == ([], [])


def test_labels_of_near_crossings_do_not_overlap(figure):
    loads = np.array([0.0, 0.01, 0.02, 0.03, 1.0])
    curves = [
        ("flat", loads, np.array([0.0, 1.0, 1.9, 3.1, 8.0])),
        ("found", loads, np.array([0.0, 0.9, 2.0, 3.0, 9.0])),
    ]
    load_deflection_plot.curve_picture(PANEL, curves, "")
    told = [words for words in texts(figure[0]) if words.startswith("cross at")]
    assert len(told) == 3
    assert overlapping(figure[0]) == ([], [])


@pytest.mark.parametrize("layout", [LAYOUT, FRAME, Layout(1.0)], ids=["beads and holes", "frame", "flat"])
def test_layout_picture_is_written(tmp_path, layout):
    layout_picture.layout_picture(PANEL, layout, tmp_path / "layout.png")
    image = imread(tmp_path / "layout.png")
    assert image.shape[1] == 1500
    assert 0.05 < (image[..., :3].mean(axis=2) < 0.99).mean() < 0.95


def test_a_place_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(InputError, match=r"layout\.png: cannot be written"):
        layout_picture.layout_picture(PANEL, LAYOUT, tmp_path / "nowhere" / "layout.png")


def test_shades_get_darker_all_the_way():
    """Relative luminance as WCAG 2 defines it falls from shade to shade, so a grey printer keeps the order."""
    shades = np.array([[int(one[i : i + 2], 16) / 255 for i in (1, 3, 5)] for one in style.COLOUR_SCALE])
    light = np.where(shades <= 0.04045, shades / 12.92, ((shades + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(light) < -0.01).all()


def test_global_state_is_left_alone(tmp_path):
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from support.trike import PANEL, LAYOUT\n"
        "from stiffen.output.plots.layout_picture import layout_picture\n"
        "assert 'matplotlib' not in sys.modules\n"
        "layout_picture(PANEL, LAYOUT, sys.argv[2])\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    here = Path(__file__).parents[2]
    source = {**os.environ, "PYTHONPATH": str(Path(style.__file__).parents[3])}
    subprocess.run([sys.executable, "-c", code, here, tmp_path / "layout.png"], check=True, env=source)
    assert (tmp_path / "layout.png").exists()
