"""Bow after rolling, against beam theory of a beaded strip and by symmetry."""

import math
from dataclasses import replace

import pytest
from support.panels import B16, SHEET, lid, rows

from stiffen.model.layout import Bead, Layout
from stiffen.shop.bead_section import section_properties
from stiffen.shop.rolling_bow import rolling_bow, with_balanced_faces


def test_one_bead_along_a_strip_is_a_beam_with_an_off_axis_force():
    """kappa = yield A_b (z_b - z_c)/(E I) with the strip's own section; bow kappa L^2/8."""
    strip = lid(500.0, 100.0)
    bead = Bead(B16, ((-1.0, 50.0), (501.0, 50.0)))
    whole, own = section_properties(B16, 1.0, 100.0), section_properties(B16, 1.0, 16.0)
    kappa = SHEET.yield_strength * own.area * (own.centroid - whole.centroid) / (SHEET.E * whole.I)
    found = rolling_bow(strip, Layout(1.0, (bead,)))
    assert found.radius_x == pytest.approx(1 / kappa, rel=1e-3)
    assert found.bow_x == pytest.approx(kappa * 500**2 / 8, rel=1e-3)
    assert found.radius_y == math.inf
    assert found.bow_y == 0


def test_flat_sheet_has_no_bow():
    found = rolling_bow(lid(), Layout(1.0))
    assert (found.radius_x, found.radius_y, found.bow_x, found.bow_y) == (math.inf, math.inf, 0, 0)


def test_beads_on_both_faces_cancel():
    beads = rows(B16, (80.0, 160.0, 240.0, 320.0))
    one_sided = rolling_bow(lid(), Layout(1.0, beads))
    turned = tuple(replace(bead, side=side) for bead, side in zip(beads, ("up", "down", "down", "up"), strict=True))
    assert one_sided.bow_x > 1
    assert rolling_bow(lid(), Layout(1.0, turned)).bow_x == pytest.approx(0, abs=1e-9)
    down = tuple(replace(bead, side="down") for bead in beads)
    assert rolling_bow(lid(), Layout(1.0, down)) == one_sided


def test_turning_the_layout_turns_the_bow():
    along = rolling_bow(lid(400.0, 400.0), Layout(1.0, (Bead(B16, ((50.0, 200.0), (350.0, 200.0))),)))
    across = rolling_bow(lid(400.0, 400.0), Layout(1.0, (Bead(B16, ((200.0, 50.0), (200.0, 350.0))),)))
    assert (along.bow_x, along.bow_y) == pytest.approx((across.bow_y, across.bow_x))


def test_more_yield_or_length_bows_more():
    layout = Layout(1.0, rows(B16, (200.0,)))
    base = rolling_bow(lid(), layout).bow_x
    hard = replace(SHEET, yield_strength=2 * SHEET.yield_strength, tensile=2 * SHEET.tensile)
    assert rolling_bow(lid(material=hard), layout).bow_x == pytest.approx(2 * base)
    short = Layout(1.0, rows(B16, (200.0,), 140.0, 360.0))
    assert rolling_bow(lid(), short).bow_x == pytest.approx(base / 2, rel=0.05)


def test_faces_alternate_where_the_panel_allows_both():
    one_sided = Layout(1.0, rows(B16, (80.0, 160.0, 240.0, 320.0)))
    either = lid(bead_side="either")
    found = with_balanced_faces(either, one_sided)
    assert rolling_bow(either, found).bow_x == pytest.approx(0, abs=1e-9)
    assert sorted(bead.side for bead in found.beads) == ["down", "down", "up", "up"]
    assert [bead.path for bead in found.beads] == [bead.path for bead in one_sided.beads]
    assert with_balanced_faces(lid(), one_sided) is one_sided
    fixed = Layout(1.0, tuple(replace(bead, fixed=True) for bead in one_sided.beads))
    assert with_balanced_faces(either, fixed) == fixed


def test_balanced_never_bows_more():
    beads = (*rows(B16, (100.0, 300.0)), Bead(B16, ((250.0, 130.0), (250.0, 270.0))))
    layout = Layout(1.0, beads)
    either = lid(bead_side="either")
    before, after = rolling_bow(either, layout), rolling_bow(either, with_balanced_faces(either, layout))
    assert max(after.bow_x, after.bow_y) < max(before.bow_x, before.bow_y)
    assert with_balanced_faces(either, Layout(1.0)) == Layout(1.0)
