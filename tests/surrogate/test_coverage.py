"""Shares of a coarse mesh's triangles that beads, steps, flared holes and small openings cover."""

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from support.panels import B16, B20, HOLED, L63, SHEET, lid, rows
from support.shapes import frame

from stiffen.analysis.panel_model import meshed_model
from stiffen.model.layout import Bead, Layout
from stiffen.model.panel import Cutout
from stiffen.model.tools import BeadDie
from stiffen.shop.bead_section import developed_length
from stiffen.surrogate.coverage import OPENING, RAISED, STRIP, bead_coverage, hole_coverage, opening_coverage
from stiffen.surrogate.laminated_panel import laminated_panel
from stiffen.surrogate.strip_laminate import TAPER_STEPS

LID = lid()
SURROGATE = laminated_panel(LID, 1.0)
AREA = SURROGATE.models["free"].linear_model.shell.geometry.area
STEP = BeadDie("S8", "step", 8.0, 4.0, nose_radius=2.0, shoulder_radius=2.0)


def area_of(coverage, kind=STRIP):
    """mm2 that a coverage counts, of one kind."""
    part = coverage.kind == kind
    return float((AREA[coverage.triangles] * coverage.share)[part].sum())


def of_bead(bead):
    return bead_coverage(SURROGATE.samples, bead, LID.outline, 1.0)


def square_ended(die):
    return replace(die, run_out=0.01)


@pytest.mark.parametrize(
    "path", [((60.0, 190.0), (440.0, 190.0)), ((70.0, 60.0), (400.0, 320.0))], ids=["level", "slant"]
)
def test_area_of_a_straight_strip(path):
    bead = Bead(square_ended(B20), path)
    found = of_bead(bead)
    assert area_of(found.by_area) == pytest.approx(20.0 * bead.length, rel=0.01)
    # in rows, whose boxes are larger than the triangles and reach a little beyond the ends
    assert area_of(found) == pytest.approx(20.0 * bead.length, rel=0.08)
    angle = 2 * math.atan2(path[1][1] - path[0][1], path[1][0] - path[0][0])
    assert found.direction == pytest.approx(np.tile([math.cos(angle), math.sin(angle)], (len(found.share), 1)))


def test_taper_of_a_run_out():
    """Half a cosine: the mean share of the depth over a run-out is one half."""
    bead = Bead(replace(B20, run_out=60.0), ((60.0, 190.0), (440.0, 190.0)))
    whole = of_bead(bead).by_area
    depth = area_of(replace(whole, share=whole.share * whole.taper / TAPER_STEPS))
    assert depth == pytest.approx(20.0 * (bead.length - 60.0), rel=0.02)
    assert set(whole.taper) == set(range(1, TAPER_STEPS + 1))


def test_area_of_a_frame():
    bead = frame(80, 80, 420, 320, 40, B16)
    assert area_of(of_bead(bead).by_area) == pytest.approx(shapely.LineString(bead.path).buffer(8).area, rel=0.02)


def test_a_step_raises_the_sheet_up_to_the_edge():
    bead = Bead(STEP, ((0.0, 30.0), (500.0, 30.0)), open_ends=(True, True))
    found = of_bead(bead)
    assert area_of(found, STRIP) == pytest.approx(8.0 * 500.0, rel=0.03)
    assert area_of(found, RAISED) == pytest.approx(26.0 * 500.0, rel=0.02)


def test_a_flared_hole_is_a_ring_about_an_opening():
    found = hole_coverage(SURROGATE.samples, HOLED.holes[1])
    assert area_of(found, OPENING) == pytest.approx(math.pi / 4 * L63.finished**2, rel=0.03)
    assert area_of(found, STRIP) == pytest.approx(math.pi / 4 * (L63.flange**2 - L63.finished**2), rel=0.04)


def test_a_small_opening_stays_out_of_the_mesh_and_takes_its_sheet_away():
    ring = ((240.0, 190.0), (252.0, 190.0), (252.0, 202.0), (240.0, 202.0))
    cut = laminated_panel(lid(cutouts=(Cutout(ring),)), 1.0)
    assert len(cut.left_out) == 1 and len(cut.mesh.nodes) == len(SURROGATE.mesh.nodes)
    found = opening_coverage(cut.samples, cut.left_out[0])
    assert area_of(found, OPENING) == pytest.approx(144.0, rel=0.2)
    large = tuple((4 * (x - 246) + 246, 4 * (y - 196) + 196) for x, y in ring)
    kept = laminated_panel(lid(cutouts=(Cutout(large),)), 1.0)
    assert kept.left_out == ()
    assert kept.models["free"].linear_model.shell.geometry.area.sum() == pytest.approx(500 * 400 - 48**2, rel=1e-3)


def test_a_bead_does_not_stiffen_the_sheet_beyond_its_end():
    """Two beads with 20 mm of flat sheet between their ends: a hinge, as in the shell model."""
    die = replace(B20, run_out=6.0)
    halves = tuple(Bead(die, ((x0, 200.0), (x1, 200.0))) for x0, x1 in ((20.0, 240.0), (260.0, 480.0)))
    whole = (Bead(die, ((20.0, 200.0), (480.0, 200.0))),)
    narrow = lid(b=400.0)

    def both(beads):
        layout = Layout(1.0, beads)
        shell = meshed_model(narrow, layout, "quick").softness_at((250.0, 200.0))
        ours = SURROGATE.model_of(layout, "free").softness_at((250.0, 200.0))
        return ours, shell

    (ours, shell), (our_whole, shell_whole) = both(halves), both(whole)
    assert our_whole == pytest.approx(shell_whole, rel=0.06)
    assert shell / shell_whole > 1.3
    assert ours == pytest.approx(shell, rel=0.2)


@pytest.mark.parametrize("beads", [rows(B20, (80.0, 160.0, 240.0, 320.0)), (frame(60, 60, 440, 340, 70),)])
def test_mass_of_a_beaded_panel_is_that_of_its_developed_sheet(beads):
    """The bead's length times what its arc has over its width; the run-outs are a few percent of it."""
    layout = Layout(1.0, beads)
    ours = SURROGATE.model_of(layout, "free").nodal_mass.sum() - SHEET.rho * 500 * 400
    die = beads[0].die
    full = sum(bead.length - (0 if bead.closed else die.run_out_length) for bead in beads)
    assert ours == pytest.approx(SHEET.rho * full * (developed_length(die) - die.width), rel=0.03)
    shell = meshed_model(LID, layout, "quick").nodal_mass.sum() - SHEET.rho * 500 * 400
    assert ours == pytest.approx(shell, rel=0.06)  # the quick mesh's chords are shorter than the arcs


def test_mass_of_flared_holes_is_that_of_their_cones():
    """Sheet of the flange's circle gone, a cone of 45 degrees in its place."""
    gained = sum(
        math.pi / 4 * (math.sqrt(2) * (hole.die.flange**2 - hole.die.finished**2) - hole.die.flange**2)
        for hole in HOLED.holes
    )
    ours = SURROGATE.model_of(HOLED, "free").nodal_mass.sum() - SHEET.rho * 500 * 400
    assert ours == pytest.approx(SHEET.rho * gained, rel=0.03)
