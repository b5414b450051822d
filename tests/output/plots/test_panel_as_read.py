"""The picture of a panel as read, and its words: nothing overlaps or is cut off, the forces are those of statics."""

from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_hex
from support.figures import overlapping

from stiffen.io.panel_file import panel_from_dict, read_panel
from stiffen.output.plots.panel_as_read.load_marks import LOAD_COLOUR
from stiffen.output.plots.panel_as_read.picture import panel_figure, panel_picture
from stiffen.output.plots.panel_as_read.words import head_lines, panel_rows

ROOT = Path(__file__).parents[3]
SHOWN = sorted((ROOT / "tests/support/shown_panels").glob("*.toml"))
QUICK = {"busy", "tall", "tub"}
ALL = [
    pytest.param(path, id=path.stem, marks=() if path.stem in QUICK else pytest.mark.slow)
    for path in (*SHOWN, *sorted((ROOT / "examples").glob("*.toml")))
]


@pytest.mark.parametrize("path", ALL)
def test_words_neither_overlap_nor_leave_the_picture(path):
    panel = read_panel(path)
    figure = panel_figure(panel)
    assert overlapping(figure) == ([], [])
    shown = {text.get_text() for axis in figure.axes for text in axis.texts}
    for letter, things in (("S", panel.supports), ("M", panel.masses), ("T", panel.trims)):
        assert {f"{letter}{number}" for number in range(1, len(things) + 1)} <= shown
    for number, load in enumerate(panel.loads, 1):
        anywhere = load.kind == "patch" and load.at is None
        assert (f"L{number} anywhere" if anywhere else f"L{number}") in shown
    for number, fold in enumerate(panel.folds, 1):
        assert f"F{number} {abs(fold.angle):g}° {'up' if fold.angle > 0 else 'down'}" in shown


def rows_of(name):
    return {row.mark: row.text for row in panel_rows(read_panel(ROOT / "tests/support/shown_panels" / f"{name}.toml"))}


def test_forces_are_pressure_times_area_and_weights_force_over_gravity():
    """0.004 MPa on 440 x 280 mm are 492.8 N; standard gravity is 9.80665 m/s2 (ISO 80000-3)."""
    assert "4 kPa onto the up face, on its polygon (493 N in all, as 50.3 kg)" in rows_of("tub")["L1"]
    assert "0.5 N/mm onto the up face, along its line (550 N in all, as 56.1 kg)" in rows_of("rail")["L2"]
    assert "150 N (as 15.3 kg) on 60 x 60 mm onto the down face" in rows_of("ell")["L2"]


def test_a_round_opening_bears_no_pressure():
    """A disc of 300 mm less an opening of 60 mm: pi/4 (300^2 - 60^2) x 0.0003 MPa = 20.36 N; a polygon has less."""
    assert "0.3 kPa onto the down face, on the whole sheet (20.3 N in all" in rows_of("disc")["L1"]


def test_words_of_the_ways_to_hold():
    busy = rows_of("busy")
    assert busy["S1"] == "held edge, 460 mm long: cannot tilt, edges cannot pull in"
    assert "lies on it, can lift off" in busy["S2"]
    assert "may move square to the sheet" in busy["S3"]
    assert "not known if edges pull in: the worse counts, gives way: 2000 N/mm" in busy["S4"]
    assert "0.2 mm of play along the sheet, then held" in rows_of("ell")["S2"]


def test_rows_of_one_text_are_one_row():
    assert rows_of("tub")["F1-F4"] == "fold 90 degrees toward the up face, inside radius 2 mm"


def test_the_head_names_size_sheet_and_face():
    panel = read_panel(ROOT / "tests/support/shown_panels/curved.toml")
    assert head_lines(panel)[1] == "700 x 240 mm, 5754-H111, 0.8, 1, 1.5 mm; beads on the down face"


def loaded(**load):
    return panel_from_dict(
        {
            "panel": {
                "name": "lid", "material": "5754-H111", "gauges": [1.0], "tools": "starter",
                "outline": [[0, 0], [400, 0], [400, 300], [0, 300]],
            },
            "support": [{"kind": "edge", "along": "outline"}],
            "load": [{"case": "one", **load}],
        },
        ROOT,
    )  # fmt: skip


@pytest.mark.parametrize(("value", "crosses"), [(100, 2), (-100, 0)])
def test_a_push_away_from_the_eye_has_a_cross_and_one_toward_it_a_dot(value, crosses):
    axis = panel_figure(loaded(kind="patch", value=value, at=[200, 150], size=[50, 50])).axes[0]
    strokes = [line for line in axis.lines if to_hex(line.get_color()) == LOAD_COLOUR and len(line.get_xdata()) == 2]
    assert len(strokes) == crosses
    if crosses:
        assert np.mean([line.get_xydata().mean(axis=0) for line in strokes], axis=0) == pytest.approx([200, 150])


def test_picture_is_a_png_of_the_width_of_the_others(tmp_path):
    panel_picture(loaded(kind="inertia", g=[0, 0, -3]), tmp_path / "panel.png")
    data = (tmp_path / "panel.png").read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n" and int.from_bytes(data[16:20], "big") == 1500
