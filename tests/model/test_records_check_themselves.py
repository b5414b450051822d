"""Records made in Python check themselves: each fault has its place and a cure, in the words of the file reader."""

import math
import time
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.busy_panel import BUSY
from support.panels import B16, EDGE, L50, SHEET, SHOP, lid
from support.trike import PANEL

from stiffen.errors import InputError
from stiffen.io.panel_file import panel_from_dict, tools_from_dict
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.model.material import Material
from stiffen.model.panel import (
    Combination,
    Cutout,
    Demand,
    EdgeTrim,
    FlatnessReading,
    Fold,
    KeepOut,
    Load,
    Panel,
    PointMass,
    Support,
)
from stiffen.model.tools import BeadDie, Cutter, FoldingBrake, HoleDie, Roller, Tools, Trial

SQUARE = ((100, 100), (140, 100), (140, 140), (100, 140))
WIND = Load("wind", "pressure", 1e-5)
RIVETS = {"path": ((20, 20), (20, 380)), "pitch": 40, "diameter": 4}
STRIP = {"die": "B16", "material": "DC01", "thickness": 1.0, "turns": (1.0, 2.0), "depth": (1.5, 3.0)}


def fault_lines(make):
    """The lines of the error that making a record raises, one for each fault."""
    with pytest.raises(InputError) as error:
        make()
    return str(error.value).splitlines()


@pytest.mark.parametrize(
    ("make", "line"),
    [
        # misspelt words
        (lambda: Demand("freqency", 70), 'demand.kind: is "freqency" (did you mean "frequency"?)'),
        (lambda: Load("wind", "presure", 1e-4), 'load.kind: is "presure" (did you mean "pressure"?)'),
        (lambda: Support("edge", hold="clampd"), 'support.hold: is "clampd" (did you mean "clamped"?)'),
        (
            lambda: Support("edge", in_plane="hold"),
            'support.in_plane: is "hold" (one of: held, free, unknown, build, {slip = 0.1} (clearance, mm))',
        ),
        (lambda: Support("egde"), 'support.kind: is "egde" (did you mean "edge"?)'),
        (lambda: Bead(B16, ((0, 0), (9, 0)), "top"), 'bead.side: is "top" (one of: up, down)'),
        (lambda: Hole(L50, (9, 9), "dwon"), 'hole.side: is "dwon" (did you mean "down"?)'),
        (lambda: lid(symmetry="xz"), 'panel.symmetry: is "xz" (did you mean "x"?)'),
        (lambda: lid(goal="stiffer"), 'panel.goal: is "stiffer" (did you mean "stiffest"?)'),
        (lambda: lid(bead_side="both"), 'panel.bead_side: is "both" (one of: up, down, either)'),
        (lambda: BeadDie("X", "rund", 16, 4), 'bead_die.profile: is "rund" (did you mean "round"?)'),
        (lambda: KeepOut(SQUARE, ("beads",)), 'keep_out.against[1]: is "beads" (one of: bead, hole)'),
        # cases that no load has
        (
            lambda: lid(demands=(Demand("deflection", 1.0, "wnid"),)),
            'demand[1].case: "wnid" is the case of no load (did you mean "wind"?)',
        ),
        (
            lambda: lid(loads=(), demands=(Demand("stress", 1.5, "wind"),)),
            'demand[1].case: "wind" is the case of no load (there are no [[load]] tables)',
        ),
        (
            lambda: lid(combinations=(Combination("both", (("wind", 1.0), ("knee", 1.0))),)),
            "combination[1].of.knee: is the case of no load (one of: wind)",
        ),
        (
            lambda: lid(combinations=(Combination("wind", (("wind", 1.0),)),)),
            'combination[1].case: "wind" is the case of a load (give the combination its own name)',
        ),
        # fields that a kind needs, and fields that have no meaning for it
        (
            lambda: Demand("deflection", 1.0),
            "demand.case: is missing (a demand of kind deflection needs it)",
        ),
        (lambda: Demand("softness", 1.0), "demand.force: is missing (a demand of kind softness needs it)"),
        (
            lambda: Demand("frequency", 70, force=10),
            "demand.force: has no meaning for a demand of kind frequency (its keys: kind, limit)",
        ),
        (lambda: Load("knee", "patch", 150), "load.size: is missing (a load of kind patch needs it)"),
        (lambda: Load("wind", "pressure"), "load.value: is missing (a load of kind pressure needs it)"),
        (lambda: Support("bolts", at=((9, 9),)), "support.diameter: is missing (a support of kind bolts needs it)"),
        (
            lambda: Support("rivets", pitch=40, diameter=4),
            "support.path: is missing (a support of kind rivets needs it)",
        ),
        # values out of range, of the wrong type, not finite
        (lambda: Demand("frequency", -5), "demand.limit: is -5, must be more than 0 and at most 1e+06"),
        (lambda: Demand("frequency", math.nan), "demand.limit: is nan, not a finite number (give more than 0"),
        (lambda: Demand("frequency", "70"), 'demand.limit: is "70", not a number (take the quotes and the unit off)'),
        (
            lambda: Load("wind", "pressure", 500),
            "load.value: is 500, must be at least -1 and at most 1 MPa (MPa: 500 Pa is 0.0005, 1 kPa is 0.001)",
        ),
        (lambda: Load("a", "line", 1, path=((0, 0), (math.inf, 0))), "load.path[2]: is inf, not a finite number"),
        (
            lambda: Load("a", "line", 1, path=((0, 0), (9, 0)), direction=(0, 0, 0)),
            "load.direction: has no length ([0, 0, -1] pushes onto the up face)",
        ),
        (lambda: Support("edge", slip=-0.1), "support.slip: is -0.1, must be at least 0 and at most 10 mm"),
        (
            lambda: Support("rivets", **{**RIVETS, "pitch": 3.5}),
            "support.pitch: is 3.5, not more than the diameter (at least 3 diameters)",
        ),
        (
            lambda: Layout(20),
            "layout.gauge: is 20, must be at least 0.1 and at most 6 mm (gauges are in mm: 0.040 inch",
        ),
        (lambda: Layout(1.0, ("B16",)), 'layout.beads[1]: is "B16", not a Bead (write Bead(...))'),
        (lambda: Bead(B16, ((0, 0),)), "bead.path: has 1 point (give at least 2)"),
        (lambda: Bead(B16, ((0, 0), (0, 0))), "bead.path[2]: is the same place as point 1 (leave one out)"),
        (
            lambda: Bead("B16", ((0, 0), (9, 0))),
            'bead.die: is "B16", not a BeadDie (a die of the tools: tools.bead_die',
        ),
        (lambda: Bead(L50, ((0, 0), (9, 0))), "bead.die: is a HoleDie, not a BeadDie"),
        (lambda: Hole(L50, (9,)), "hole.at: is a list of 1, not a point (write [x, y])"),
        (lambda: Fold(((0, 0), (9, 0)), 0), "fold.angle: is 0 (leave the fold out, or give degrees"),
        (lambda: Fold(((0, 0), (9, 0), (9, 9)), 90), "fold.line: has 3 points (a fold line is straight: give its two"),
        (lambda: PointMass((9, 9), -1), "mass.kg: is -1, must be more than 0 and at most 1000 kg"),
        (lambda: EdgeTrim(-0.1), "trim.kg_per_metre: is -0.1, must be at least 0 and at most 100 kg/m"),
        (lambda: FlatnessReading((9, 9), 80), "out_of_flat.height: is 80, must be at least -50 and at most 50 mm"),
        (lambda: Cutout(((0, 0), (9, 9), (9, 0), (0, 9))), "cutout.ring: crosses or touches itself at (4.5, 4.5)"),
        (lambda: Combination("both", ()), "combination.of: is empty (name at least one case)"),
        (lambda: Combination("a", (("wind", "x"),)), 'combination.of.wind: is "x", not a number'),
        (
            lambda: replace(SHEET, E=70),
            "material.E: is 70, must be at least 1000 and at most 500000 MPa (MPa: 70 GPa is",
        ),
        (lambda: replace(SHEET, yield_strength=300), "material.yield_strength: is 300, above tensile 210 (swap them?)"),
        (lambda: replace(SHEET, bend_radius=((3, 2), (1.5, 1))), "material.bend_radius: does not rise in thickness"),
        (lambda: Roller(throat=-5), "roller.throat: is -5, must be at least 20 and at most 5000 mm"),
        (lambda: BeadDie("X", "round", -16, 4), "bead_die.width: is -16, must be at least 2 and at most 200 mm"),
        (lambda: HoleDie("X", 50, 40, 60, 5), "hole_die.finished: is 40; it must lie between pilot 50 and flange 60"),
        (lambda: FoldingBrake(0.6), "folder.neutral: is 0.6, must be at least 0.2 and at most 0.5"),
        (lambda: Cutter("saw", (0,)), "cutter.sizes[1]: is 0, must be at least 1 and at most 500 mm"),
        (lambda: Trial(**{**STRIP, "depth": (3.0, 1.5)}), "trial.depth: does not rise from value to value"),
        (lambda: lid(gauges=(1.0, 0.02)), "panel.gauges[2]: is 0.02, must be at least 0.1 and at most 6 mm"),
        (lambda: lid(waviness=-1), "panel.waviness: is -1, must be at least 0 and at most 50 mm"),
        (lambda: lid(beads_at_most=2.5), "panel.beads_at_most: is 2.5, not a whole number (give how many)"),
        (lambda: lid(material="5754-H111"), 'panel.material: is "5754-H111", not a Material (materials()["5754-H111"]'),
        (lambda: lid(loads=WIND), "panel.loads: is a Load, not a tuple of Load records (write (Load(...),))"),
        (lambda: lid(supports=(WIND,)), "panel.supports[1]: is a Load, not a Support (write Support(...))"),
        (lambda: lid(5.0, 4.0), "panel.outline: is 5 x 4 mm; a sheet is 50 to 10000 mm long"),
        # names given twice
        (
            lambda: replace(SHOP, bead_dies=(B16, B16)),
            'tools.bead_die[2].name: "B16" is the name of number 1 too (give each die its own name)',
        ),
        (
            lambda: replace(SHOP, trials=(Trial(**{**STRIP, "die": "B61"}),)),
            'tools.trial[1].die: "B61" is no bead die of this list (did you mean "B16"?)',
        ),
        (lambda: lid(gauges=(1.0, 1.0)), "panel.gauges: holds a thickness twice (name each once)"),
        (
            lambda: lid(combinations=(Combination("a", (("wind", 1.0),)),) * 2),
            'combination: has "a" more than once (give each combination its own name)',
        ),
        # things off the sheet of 500 x 400 mm, or on a face that is not allowed
        (
            lambda: lid(loads=(WIND, Load("knee", "patch", 150, at=(600, 100), size=(60, 60)))),
            "load[2].at: (600, 100) lies outside the outline (move it onto the sheet)",
        ),
        (
            lambda: lid(loads=(WIND, Load("strap", "line", 0.5, path=((50, 50), (550, 50))))),
            "load[2].path: leaves the sheet at (500.0, 50.0) (keep it on the sheet, off cut-outs)",
        ),
        (
            lambda: lid(supports=(EDGE, Support("bolts", at=((9, 9), (600, 9)), diameter=6))),
            "support[2].at[2]: (600, 9) is not on the sheet (move it onto the sheet)",
        ),
        (
            lambda: lid(folds=(Fold(((100, 20), (400, 20)), 90),)),
            "fold[1].line: does not divide the sheet (a fold line runs from edge to edge",
        ),
        (lambda: lid(masses=(PointMass((-9, 9), 1.0),)), "mass[1].at: (-9, 9) is not on the sheet"),
        (
            lambda: lid(cutouts=(Cutout(SQUARE), Cutout(SQUARE))),
            "cutout[2]: meets the one around (120.0, 120.0) (move or shrink it",
        ),
        (
            lambda: lid(beads=(Bead(B16, ((60, 60), (300, 60)), "down"),)),
            'bead[1].side: is "down", but the panel allows beads on the up face only (side = "up", or panel.bead_side',
        ),
        (
            lambda: lid(beads=(Bead(B16, ((60, 60), (300, 60)), open_ends=(False, True)),)),
            "bead[1].path: has an open end at (300, 60), which is not on the edge",
        ),
        (
            lambda: lid(out_of_flat=tuple(FlatnessReading((x, 100), 0.5) for x in (100, 200, 300))),
            "out_of_flat: defines no surface (measure three places and more",
        ),
    ],
)
def test_a_fault_is_reported_with_place_and_cure(make, line):
    assert fault_lines(make)[0].startswith(line)


def test_all_faults_of_a_record_are_reported_at_once():
    lines = fault_lines(lambda: Support("edge", hold="clampd", in_plane="hold", stiffness=-1.0, strength=math.nan))
    assert [line.partition(":")[0] for line in lines[:4]] == [
        "support.hold",
        "support.in_plane",
        "support.stiffness",
        "support.strength",
    ]


def test_all_faults_between_the_records_of_a_panel_are_reported_at_once():
    lines = fault_lines(
        lambda: lid(
            loads=(Load("wind", "pressure", 1e-5), Load("foot", "patch", 700, at=(900, 0), size=(60, 60))),
            demands=(Demand("deflection", 1.0, "wnid"), Demand("buckling", 1.5, "fot")),
            masses=(PointMass((700, 10), 0.2),),
            beads=(Bead(B16, ((60, 60), (700, 60)), "down"),),
        )
    )
    assert lines == [
        'demand[1].case: "wnid" is the case of no load (did you mean "wind"?)',
        'demand[2].case: "fot" is the case of no load (did you mean "foot"?)',
        'bead[1].side: is "down", but the panel allows beads on the up face only '
        '(side = "down", or panel.bead_side = "either")'.replace('= "down"', '= "up"'),
        "load[2].at: (900, 0) lies outside the outline (move it onto the sheet)",
        "mass[1].at: (700, 10) is not on the sheet (move it onto the sheet, off cut-outs)",
        "bead[1].path: leaves the sheet at (500.0, 60.0) (keep it on the sheet, off cut-outs)",
    ]


# --- same faults as the file reader ---------------------------------------------------------------------------

FILE = """
[panel]
name = "lid"
material = "5754-H111"
gauges = [1.0]
outline = [[0, 0], [500, 0], [500, 400], [0, 400]]
[[support]]
kind = "edge"
along = "outline"
[[load]]
case = "wind"
kind = "pressure"
value = 1e-5
[[demand]]
kind = "frequency"
limit = 40
"""


@pytest.mark.parametrize(
    ("old", "new", "make"),
    [
        ('kind = "frequency"', 'kind = "freqency"', lambda: Demand("freqency", 40)),
        ("limit = 40", "limit = -40", lambda: Demand("frequency", -40)),
        ("limit = 40", "limit = nan", lambda: Demand("frequency", math.nan)),
        ("limit = 40", "limit = 40\nforce = 3", lambda: Demand("frequency", 40, force=3)),
        ('kind = "pressure"', 'kind = "presure"', lambda: Load("wind", "presure", 1e-5)),
        ("value = 1e-5", "value = 500", lambda: Load("wind", "pressure", 500)),
        ('kind = "edge"', 'kind = "edge"\nhold = "clampd"', lambda: Support("edge", hold="clampd")),
        ('kind = "edge"', 'kind = "edge"\nin_plane = "hold"', lambda: Support("edge", in_plane="hold")),
        ('kind = "edge"', 'kind = "edge"\nstiffness = 0', lambda: Support("edge", stiffness=0)),
    ],
)
def test_reader_and_record_say_the_same_of_a_value(old, new, make):
    assert old in FILE
    (line,) = fault_lines(lambda: panel_from_dict(tomllib.loads(FILE.replace(old, new, 1)), Path()))
    assert line.replace("[1]", "") == fault_lines(make)[0]


@pytest.mark.parametrize(
    "changes",
    [
        {"symmetry": "xz"},
        {"goal": "lightst"},
        {"bead_side": "upp"},
        {"gauges": [1.0, 20]},
        {"gauges": [1.0, 1.0]},
        {"waviness": 99},
        {"dies_at_most": 0},
        {"outline": [[0, 0], [500, 400], [500, 0], [0, 400]]},
        {"outline": [[0, 0], [500, 0], [500, 0], [0, 400]]},
    ],
    ids=str,
)
def test_reader_and_panel_say_the_same_of_a_value(changes):
    data = tomllib.loads(FILE)
    data["panel"] |= changes
    assert fault_lines(lambda: panel_from_dict(data, Path())) == fault_lines(lambda: lid(**changes))


def test_reader_and_panel_say_the_same_of_what_lies_off_the_sheet():
    more = """
[[demand]]
kind = "deflection"
case = "wnid"
limit = 1
[[load]]
case = "knee"
kind = "patch"
value = 150
at = [600, 100]
size = [60, 60]
[[mass]]
at = [700, 10]
kg = 1
[[cutout]]
polygon = [[450, 100], [550, 100], [550, 200], [450, 200]]
"""
    made = fault_lines(
        lambda: lid(
            loads=(WIND, Load("knee", "patch", 150, at=(600, 100), size=(60, 60))),
            demands=(Demand("frequency", 40), Demand("deflection", 1, "wnid")),
            masses=(PointMass((700, 10), 1),),
            cutouts=(Cutout(((450, 100), (550, 100), (550, 200), (450, 200))),),
        )
    )
    assert sorted(fault_lines(lambda: panel_from_dict(tomllib.loads(FILE + more), Path()))) == sorted(made)


def test_reader_and_tools_say_the_same_of_a_name_given_twice():
    die = {"name": "B16", "profile": "round", "width": 16, "depth": 4}
    data = {"roller": {"throat": 300, "rated_steel": 1.0}, "bead_die": [die, die]}
    (line,) = fault_lines(lambda: tools_from_dict(data, "mine"))
    assert fault_lines(lambda: Tools("mine", Roller(), (B16, B16))) == [f"tools.{line}"]


# --- stored form of valid records -----------------------------------------------------------------------------


def test_lists_and_arrays_become_tuples():
    bead = Bead(B16, np.array([[60, 60], [300, 60]]))
    assert bead.path == ((60.0, 60.0), (300.0, 60.0))
    assert hash(bead) == hash(Bead(B16, [[60, 60], [300, 60]]))
    panel = lid(outline=[[0, 0], [0, 400], [500, 400], [500, 0], [0, 0]], gauges=[1.5, 0.8], loads=[WIND])
    assert panel.region.exterior.is_ccw
    assert len(panel.outline) == 4
    assert panel.gauges == (0.8, 1.5)
    assert panel.loads == (WIND,)


def test_numbers_of_numpy_are_numbers():
    assert Demand("frequency", np.float64(70)) == Demand("frequency", np.int64(70)) == Demand("frequency", 70.0)
    assert Layout(np.float32(1.5)).gauge == 1.5


def test_a_direction_has_unit_length_and_a_row_of_rivets_its_pitch():
    strap = Load("strap", "line", 0.5, path=((50, 50), (450, 50)), direction=(0, 3, 4))
    assert strap.direction == pytest.approx((0, 0.6, 0.8))
    assert replace(strap, value=1.0).direction == strap.direction
    row = Support("rivets", path=((20, 20), (140, 20)), at=((20, 20), (60, 20), (140, 20)), diameter=4)
    assert row.pitch == 60


@pytest.mark.parametrize("panel", [lid(), BUSY, PANEL], ids=lambda panel: panel.name)
def test_a_panel_that_is_right_is_left_as_it_is(panel):
    assert replace(panel) == panel
    assert isinstance(panel, Panel)


def test_records_that_a_search_makes_by_the_thousand_are_cheap():
    """A shell evaluation takes half a second and more: a thousand beads may take a tenth of that, not more."""
    path = ((60.0, 60.0), (300.0, 60.0))
    start = time.process_time()
    for _ in range(1000):
        Layout(1.0, (Bead(B16, path),), (Hole(L50, (200.0, 200.0)),))
    assert time.process_time() - start < 0.05
    start = time.process_time()
    for _ in range(20):
        replace(BUSY, waviness=0.1)
    assert time.process_time() - start < 0.2


def test_shipped_material_and_own_one():
    own = Material("sheet from the barn", 70e3, 0.33, 2.7e-6, 100, 200, 0.12, ((1.5, 1.0), (3.0, 2.0)))
    assert own.least_bend_radius(2.0) == 4.0
