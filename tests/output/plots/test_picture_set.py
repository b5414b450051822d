"""What load-deflection curves, mode animation and comparison show; which picture files are written for a verdict."""

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context

import matplotlib.text
import numpy as np
import pytest
from PIL import Image, ImageChops
from support.figures import overlapping
from support.trike import FLAT, GOOD, LAYOUT, PANEL, verdict

from stiffen.model.layout import Layout
from stiffen.model.results import LoadDeflectionCurve
from stiffen.output.plots import comparison_plot, load_deflection_plot, picture_set
from stiffen.output.plots.mode_animation import FRAMES_PER_CYCLE, animate_mode
from stiffen.output.report.comparison import Entry

LOADS = np.linspace(0, 1.5, 7)
CURVES = [("flat sheet", LOADS, 3 * LOADS**0.5), ("this layout", LOADS, 3 * LOADS)]  # cross at 1


@pytest.fixture
def figure(monkeypatch):
    """Keeps the figure instead of writing it."""
    kept = []
    for module in (load_deflection_plot, comparison_plot):
        monkeypatch.setattr(module, "save_png", lambda figure, path: kept.append(figure))
    return kept


def texts(figure):
    return [text.get_text() for text in figure.findobj(matplotlib.text.Text) if text.get_text()]


def curved(evaluated, factor):
    return replace(
        evaluated, fields=replace(evaluated.fields, curves={"wind": LoadDeflectionCurve(LOADS, factor * LOADS)})
    )


# ------------------------------------------------------------------------------------------------------------- curves


def test_the_crossing_is_marked_and_told(figure):
    load_deflection_plot.curve_picture(PANEL, CURVES, "", case="foot")
    told = "\n".join(texts(figure[0]))
    assert "battery hatch, case foot" in told
    assert "cross at 1\n" in told
    words = "The curves cross at 1 times the load (3 mm). Stiffer below: this layout; stiffer above: flat sheet."
    assert words in " ".join(told.split())
    axis = figure[0].axes[0]
    (ring,) = [line for line in axis.lines if line.get_markersize() == 11]
    assert np.ravel(ring.get_data()) == pytest.approx([1, 3])


def test_loads_in_newtons_are_told_with_their_unit(figure):
    newtons = [(title, 100 * loads, w) for title, loads, w in CURVES]
    load_deflection_plot.curve_picture(PANEL, newtons, "", load="load on the patch, N")
    told = " ".join(" ".join(texts(figure[0])).split())
    assert "load on the patch, N" in told
    assert "cross at 100 N (3 mm)" in told


def test_a_linear_case_gets_a_line_up_to_the_limit_of_linear_theory():
    flat = curved(FLAT, 2.4)
    (flat_curve, found_curve) = load_deflection_plot.case_curves([("flat", flat), ("found", GOOD)], "wind")
    assert flat_curve[0] == "flat"
    assert np.array_equal(flat_curve[2], 2.4 * LOADS)
    title, loads, w = found_curve
    assert title == "found (linear)"
    largest = np.abs(GOOD.fields.deflection["wind"]).max()
    assert w[-1] / loads[-1] == pytest.approx(largest)
    assert w[-1] == pytest.approx(0.5)  # half of the 1 mm sheet
    assert load_deflection_plot.case_curves([("bare", verdict(LAYOUT, maps=False))], "wind") == []


# ------------------------------------------------------------------------------------------------------------- motion


def test_the_mode_moves_in_both_directions(tmp_path):
    animate_mode(PANEL, GOOD, tmp_path / "mode.gif")
    with Image.open(tmp_path / "mode.gif") as image:
        assert image.format == "GIF"
        assert image.n_frames == FRAMES_PER_CYCLE
        frames = []
        for number in range(FRAMES_PER_CYCLE):
            image.seek(number)
            frames.append(image.convert("L"))
    assert ImageChops.difference(frames[FRAMES_PER_CYCLE // 4], frames[3 * FRAMES_PER_CYCLE // 4]).getbbox()
    # sin(22.5 degrees) = sin(157.5 degrees): the same picture at both phases
    assert not ImageChops.difference(frames[1], frames[FRAMES_PER_CYCLE // 2 - 1]).getbbox()


def test_a_verdict_without_a_mode_does_not_move(tmp_path):
    with pytest.raises(ValueError, match="no mode"):
        animate_mode(PANEL, verdict(LAYOUT, maps=False), tmp_path / "mode.gif")
    picture_set.write_animation(PANEL, verdict(LAYOUT, maps=False), tmp_path)
    assert list(tmp_path.iterdir()) == []


# ---------------------------------------------------------------------------------------------------------- comparison


@pytest.mark.parametrize("count", [2, 3, 6])
def test_the_comparison_shows_every_layout_and_every_number(figure, count):
    entries = [Entry("flat", PANEL, FLAT), *(Entry(f"try {n}", PANEL, GOOD) for n in range(1, count))]
    comparison_plot.comparison_picture(entries, "")
    told = texts(figure[0])
    assert {"1: flat\n1 mm, NOT MET", f"{count}: try {count - 1}\n1 mm, met"} <= set(told)
    for part in ("mass, kg", "deflection wind, mm\nlimit 1.5 (dashed)", "frequency, Hz\nlimit 45 (dashed)", "minutes"):
        assert part in told
    assert told.count("2.4") == 1
    assert told.count("1.1") == count - 1
    assert "hatched: demand not met" in told
    bars = next(axis for axis in figure[0].axes if axis.get_title(loc="left").startswith("deflection"))
    assert [bool(bar.get_hatch()) for bar in bars.patches] == [True] + [False] * (count - 1)
    assert [bar.get_width() for bar in bars.patches] == pytest.approx([2.4] + [1.1] * (count - 1))


@pytest.mark.parametrize("count", [2, 3, 4, 6])
def test_the_comparison_fits_a_page_and_no_words_overlap_or_are_cut(figure, count):
    """Two panels with different demands: a demand of one layout only is written as text, all others are bars."""
    other = replace(PANEL, name="left cheek", outline=((0.0, 0.0), (560.0, 0.0), (560.0, 500.0), (0.0, 500.0)))
    fewer = replace(GOOD, demands=GOOD.demands[1:])
    odd = replace(GOOD.demands[0], kind="stress", case="kerb", label="stress kerb", unit="x", limit=1.5, met=False)
    entries = [
        Entry("hatch as it was", PANEL, GOOD),
        Entry("cheek", other, replace(fewer, demands=(*fewer.demands, odd))),
    ]
    entries += [Entry(f"out_left_cheek_wide_{n}", other, fewer) for n in range(count - 2)]
    comparison_plot.comparison_picture(entries, "")
    wide, high = figure[0].get_size_inches()
    assert (wide, high) <= (7.5, 10.5)
    assert overlapping(figure[0]) == ([], [])
    told = " ".join(" ".join(texts(figure[0])).split())
    assert "deflection wind (1) 1.1 mm, limit 1.5" in told
    assert "stress kerb (2) 1.1 x, limit 1.5, NOT MET" in told


def test_the_comparison_is_written(tmp_path):
    comparison_plot.comparison_picture([Entry("a", PANEL, FLAT), Entry("b", PANEL, GOOD)], tmp_path / "compare.png")
    with Image.open(tmp_path / "compare.png") as image:
        assert image.size[0] == 1500


# --------------------------------------------------------------------------------------------------------------- files


def test_files_of_a_verdict_beside_the_flat_sheet(tmp_path):
    for old in ("maps.png", "load_deflection_2.png", "mine.png"):
        (tmp_path / old).write_text("old")
    written = picture_set.write_pictures(PANEL, GOOD, tmp_path, flat=curved(FLAT, 2.4))
    names = {path.name for path in tmp_path.iterdir()}
    assert names == {"layout.png", "before_after.png", "first_mode.png", "load_deflection.png", "mine.png"}
    assert {path.name for _, path in written} == names - {"layout.png", "mine.png"}
    assert "Deflection under a growing load, case wind" in [caption for caption, _ in written]


@pytest.mark.slow
def test_pictures_drawn_by_another_process_are_the_same(tmp_path):
    here, there = tmp_path / "here", tmp_path / "there"
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as executor:
        for folder, used in ((here, None), (there, executor)):
            folder.mkdir()
            picture_set.write_pictures(PANEL, GOOD, folder, flat=curved(FLAT, 2.4), executor=used)
    assert {one.name: one.read_bytes() for one in here.iterdir()} == {
        one.name: one.read_bytes() for one in there.iterdir()
    }
    assert len(list(here.iterdir())) == 4


def test_files_of_a_verdict_alone_and_of_one_without_result_fields(tmp_path):
    stressed = replace(GOOD.fields, stress={"wind": np.full(len(GOOD.fields.triangles), 20.0)})
    picture_set.write_pictures(PANEL, replace(GOOD, fields=stressed), tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {"layout.png", "maps.png", "stress.png", "first_mode.png"}
    assert picture_set.write_pictures(PANEL, verdict(Layout(1.0), maps=False), tmp_path) == []
    assert {path.name for path in tmp_path.iterdir()} == {"layout.png"}
