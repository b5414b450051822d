"""The summary of a build: sums, sheets to buy, CSV."""

import csv
import io
from dataclasses import replace

import pytest
from support.trike import LAYOUT, PANEL

from stiffen.model.layout import Layout
from stiffen.model.panel import EdgeTrim, PointMass
from stiffen.output.report.build_summary import (
    CUTTING_HEAD,
    SUMMARY_HEAD,
    WORK_HEAD,
    build_panel,
    csv_text,
    cutting_rows,
    purchase_lines,
    purchases,
    summary_rows,
    work_rows,
)
from stiffen.shop.process_plan import minutes
from stiffen.shop.rough_blank import trim_allowance

LID = build_panel(PANEL, LAYOUT, "met")
FLAT = build_panel(replace(PANEL, name="floor"), Layout(1.0), "not judged")
THICK = build_panel(replace(PANEL, name="wall"), Layout(1.5), "not met")


def test_a_row_holds_the_values_of_its_panel():
    x, y = trim_allowance(PANEL, LAYOUT)
    assert (LID.blank_width_mm, LID.blank_height_mm) == pytest.approx((560 + 2 * x, 380 + 2 * y), abs=0.1)
    assert LID.mass_kg == PANEL.mass(LAYOUT)
    assert LID.rolled_m == pytest.approx(LAYOUT.rolled_length / 1000)
    # rivet row of 320 mm at 40 mm: nine; two bolts
    assert (LID.beads, LID.holes, LID.fasteners) == (3, 2, 11)
    assert LID.minutes == minutes(PANEL, LAYOUT)


def test_fitted_mass_is_counted_apart():
    fitted = replace(
        PANEL,
        trims=(EdgeTrim(0.1, path=((0.0, 100.0), (0.0, 300.0))), EdgeTrim(0.05)),
        masses=(PointMass((100.0, 100.0), 0.25),),
    )
    around = PANEL.region.exterior.length / 1000
    assert build_panel(fitted, LAYOUT, "met").fitted_kg == pytest.approx(0.2 * 0.1 + around * 0.05 + 0.25)
    assert build_panel(fitted, LAYOUT, "met").mass_kg == LID.mass_kg


def test_rows_and_their_sum():
    *lines, total = summary_rows([LID, FLAT, LID])
    assert len(lines) == 3
    assert all(len(line) == len(SUMMARY_HEAD) for line in (*lines, total))
    assert total[0] == "3 in all"
    assert total[SUMMARY_HEAD.index("mass kg")] == f"{2 * LID.mass_kg + FLAT.mass_kg:.3f}"
    assert total[SUMMARY_HEAD.index("beads")] == "6"
    assert total[SUMMARY_HEAD.index("rivets")] == "33"


def test_copies_share_a_row_of_the_cutting_list_and_of_the_work():
    *cut, total = cutting_rows([THICK, LID, FLAT, LID])
    assert [(row[0], row[1], row[3]) for row in cut] == [
        ("battery hatch", "2", "1"),
        ("floor", "1", "1"),
        ("wall", "1", "1.5"),
    ]
    assert all(len(row) == len(CUTTING_HEAD) for row in (*cut, total))
    assert cut[0][5] == f"{2 * LID.mass_kg:.3f}"
    assert total == ("in all", "4", "", "", "", f"{2 * LID.mass_kg + FLAT.mass_kg + THICK.mass_kg:.3f}")
    *work, total = work_rows([LID, FLAT, LID])
    assert work[0][0] == "battery hatch, 2 x" and total[2] == "6" and total[5] == "33"
    assert all(len(row) == len(WORK_HEAD) for row in (*work, total))


def test_what_is_left_of_the_last_sheet():
    """560 x 380 on 1000 x 500, with 5 mm for the cut: 435 x 500 beside it."""
    (one,) = purchases([FLAT], [(1000.0, 500.0)])
    assert one.offcut == pytest.approx((435.0, 500.0))
    assert "  left over, in one piece: 435 x 500 mm" in purchase_lines([one])
    (whole,) = purchases([FLAT], [(560.0, 380.0)])
    assert whole.offcut is None


def test_sheets_go_by_material_and_gauge():
    bought = purchases([LID, FLAT, THICK], [(2000.0, 1000.0)])
    assert [(one.material, one.gauge_mm, one.count) for one in bought] == [("5754-H111", 1.0, 1), ("5754-H111", 1.5, 1)]
    assert bought[0].mass_kg == pytest.approx(2000 * 1000 * 1.0 * 2.67e-6)
    assert bought[1].mass_kg == pytest.approx(2000 * 1000 * 1.5 * 2.67e-6)
    cut = LID.blank_width_mm * LID.blank_height_mm + 560 * 380
    assert bought[0].used_fraction == pytest.approx(cut / 2e6)
    text = "\n".join(purchase_lines(bought))
    assert "5754-H111 1 mm: 1 x 2000 x 1000 mm, 5.34 kg" in text
    assert "floor" in text
    assert "wall 560 x 380 at 0, 0" in text or "wall turned 90 degrees 380 x 560 at 0, 0" in text


def test_the_stock_size_that_needs_least_sheet_is_taken():
    # 2000 x 1000 holds five of 380 x 560 and three of 560 x 380 above them.  Nine need two such sheets: 4 m2, not 3.1
    assert [(one.sheet, one.count) for one in purchases([FLAT] * 8)] == [((2000.0, 1000.0), 1)]
    assert [(one.sheet, one.count) for one in purchases([FLAT] * 9)] == [((2500.0, 1250.0), 1)]
    assert [(one.sheet, one.count) for one in purchases([FLAT])] == [((2000.0, 1000.0), 1)]


def test_a_blank_that_fits_no_sheet_is_told():
    (one,) = purchases([FLAT, LID], [(570.0, 390.0)])
    assert one.too_large == ("battery hatch",)
    assert [placed.blank.name for placed in one.placed] == ["floor"]
    assert any("battery hatch: larger than the sheet" in line for line in purchase_lines([one]))
    (none,) = purchases([LID], [(100.0, 100.0)])
    assert (none.count, none.used_fraction, none.mass_kg) == (0, 0.0, 0.0)


def test_csv_has_a_line_a_panel():
    read = list(csv.DictReader(io.StringIO(csv_text([LID, FLAT]))))
    assert [one["panel"] for one in read] == ["battery hatch", "floor"]
    assert float(read[0]["mass_kg"]) == pytest.approx(LID.mass_kg, abs=1e-4)
    assert read[1]["status"] == "not judged"
    assert int(read[0]["fasteners"]) == 11
    assert "density" not in read[0]
