"""The three proposals: what each promises, and that the limits of the panel are kept.  Neatness by geometry."""

import math
from dataclasses import replace

import pytest
from support.panels import lid, rows

from stiffen.analysis.screening import quick_utilisations
from stiffen.io.tools_file import starter_tools
from stiffen.model.layout import Hole, Layout
from stiffen.model.panel import Cutout, Demand, Fold
from stiffen.optimise.candidates.bead_rules import is_short_bow, is_straight, least_length, line_of
from stiffen.optimise.search import driver
from stiffen.optimise.search.finish.proposals import Pool, _short_bows_last
from stiffen.optimise.search.incumbent import in_order
from stiffen.optimise.search.settings import DEFAULT_SETTINGS
from stiffen.shop import process_plan
from stiffen.shop.layout_check import audit
from stiffen.shop.marking_out.distinct_dimensions import distinct_dimensions
from stiffen.shop.marking_out.hole_rows import hole_rows

LID = lid(
    300.0, 240.0, gauges=(0.8, 1.0, 2.0), demands=(Demand("frequency", 110.0), Demand("deflection", 0.05, "wind"))
)
QUICK = {"effort": "quick", "mesh_level": "quick"}


def cost(panel, verdict):
    """Grams, minutes at their price, and 0.2 % of the mass for each dimension to measure."""
    measured = 0.002 * distinct_dimensions(panel, verdict.layout).count
    return 1000 * verdict.mass_kg * (1 + measured) + panel.grams_per_minute * process_plan.minutes(
        panel, verdict.layout
    )


@pytest.fixture(scope="module")
def found():
    return driver.search(LID, **QUICK)


def off_the_tape(layout):
    """Ends of open beads and centres of holes that lie neither on whole nor on half millimetres."""
    ends = [end for bead in layout.beads if not bead.closed for end in (bead.path[0], bead.path[-1])]
    return [
        at for at in (*ends, *(hole.at for hole in layout.holes)) if any(abs(2 * v - round(2 * v)) > 1e-6 for v in at)
    ]


def by_name(result):
    return {name: one for one in result.proposals for name in one.names}


def test_each_proposal_is_what_its_name_says(found):
    named = by_name(found)
    assert set(named) == {"lightest", "recommended", "quickest"}
    verdicts = [one.verdict for one in found.proposals]
    assert named["lightest"].verdict.mass_kg <= 1.02 * min(one.mass_kg for one in verdicts)
    own = named["quickest"].minutes + named["quickest"].dimensions
    assert own <= min(one.minutes + one.dimensions for one in found.proposals) + 1.0
    assert found.verdict.layout == named["recommended"].verdict.layout
    least = min(cost(LID, one) for one in verdicts if min(d.margin for d in one.demands) >= LID.margin)
    assert cost(LID, named["recommended"].verdict) <= 1.0025 * least
    assert min(one.margin for one in named["recommended"].verdict.demands) >= LID.margin


def test_every_proposal_meets_the_demands_and_breaks_no_rule(found):
    for one in found.proposals:
        assert one.verdict.met and audit(LID, one.verdict.layout) == ()
        assert one.minutes == pytest.approx(process_plan.minutes(LID, one.verdict.layout))
        assert one.dimensions == distinct_dimensions(LID, one.verdict.layout).count


def test_proposals_are_neat(found):
    for one in found.proposals:
        layout = one.verdict.layout
        assert all(len(row.holes) > 1 for row in hole_rows(layout.holes))
        for bead in layout.beads:
            assert bead.length >= least_length(bead.die) - 1e-6 and not is_short_bow(bead)
        assert off_the_tape(layout) == []
    assert by_name(found)["recommended"].dimensions <= 6


TURN = [2 * math.pi * k / 48 for k in range(48)]
OPENING = ((300.0, 40.0), (430.0, 40.0), (430.0, 90.0), (300.0, 90.0))
SMALL = {
    "disc": {"outline": tuple((120 + 120 * math.cos(a), 120 + 120 * math.sin(a)) for a in TURN)},
    "strip with an opening": {
        "outline": ((0.0, 0.0), (520.0, 0.0), (520.0, 150.0), (0.0, 150.0)),
        "cutouts": (Cutout(OPENING),),
    },
    "trapezium": {"outline": ((0.0, 0.0), (330.0, 0.0), (270.0, 211.0), (61.0, 211.0))},
    "tray": {
        "outline": ((0.0, 0.0), (301.0, 0.0), (301.0, 233.0), (0.0, 233.0)),
        "folds": (Fold(((0.0, 31.0), (301.0, 31.0)), 90.0, 2.0), Fold(((0.0, 202.0), (301.0, 202.0)), 90.0, 2.0)),
    },
}


@pytest.mark.slow
@pytest.mark.parametrize("name", SMALL)
def test_small_panels_get_layouts_that_look_deliberate(name):
    """Once a disc's rows of holes stood askew to its bead, and the strip had a bead aslant: all along x or y now."""
    panel = lid(gauges=(0.8, 1.0), loads=(), demands=(Demand("frequency", 10.0),), tools=starter_tools(), **SMALL[name])
    bare = quick_utilisations(panel, Layout(0.8))[0]
    panel = replace(panel, demands=(Demand("frequency", round(1.55 * 10.0 / bare)),))
    result = driver.search(panel, **QUICK)
    for one in result.proposals:
        layout = one.verdict.layout
        assert all(line_of(bead)[0] % 90 == 0 for bead in layout.beads if is_straight(bead))
        assert all(row.direction in (0.0, 90.0) for row in hole_rows(layout.holes))
        assert off_the_tape(layout) == []
    recommended = by_name(result)["recommended"]
    assert recommended.dimensions <= 4
    assert distinct_dimensions(panel, recommended.verdict.layout).odd == 0


@pytest.mark.slow
@pytest.mark.parametrize("goal", ["lightest", "quickest"])
def test_the_goal_picks_the_proposal(goal):
    result = driver.search(replace(LID, goal=goal), **QUICK)
    assert result.verdict.layout == by_name(result)[goal].verdict.layout


@pytest.mark.slow
def test_minutes_at_most_is_kept(found):
    limit = by_name(found)["quickest"].minutes - 1.0
    result = driver.search(replace(LID, minutes_at_most=limit), **QUICK)
    assert process_plan.minutes(LID, result.verdict.layout) <= limit
    assert result.verdict.layout.gauge >= found.verdict.layout.gauge


def test_near_equals_are_ordered_by_what_must_be_measured(found):
    beads = found.verdict.layout.beads
    uneven = tuple(replace(bead, path=tuple((x, y + 3.0 * k) for x, y in bead.path)) for k, bead in enumerate(beads))
    neat, other = Layout(1.0, beads), Layout(1.0, uneven)
    assert math.isclose(LID.mass(neat), LID.mass(other))
    assert in_order(LID, [other, neat], "lightest")[0] == neat


def test_a_little_more_mass_or_time_is_taken_for_much_less_to_measure():
    """Ten dimensions fewer are worth 2 % of the mass, not 5 %; to the quickest they are worth ten minutes."""
    beads = rows(LID.tools.bead_dies[1], (60.0, 120.0, 180.0), 40.0, 260.0)
    odd = tuple((40.0 + 47.0 * k + 3.1 * k * k, 30.0 + 60.0 * (k % 3) + 0.7 * k * k) for k in range(5))
    small = min(LID.tools.hole_dies, key=lambda die: die.pilot)
    fussy, plain = Layout(1.0, beads, tuple(Hole(small, at) for at in odd)), Layout(1.0, beads)
    panel = replace(LID, grams_per_minute=0.0)
    more = distinct_dimensions(panel, fussy).count - distinct_dimensions(panel, plain).count
    share = panel.mass(plain) / panel.mass(fussy) - 1
    assert more >= 10 and 0 < share < 0.2
    for goal in ("lightest", "recommended"):
        dear = replace(DEFAULT_SETTINGS, mass_per_dimension=1.2 * share / more, mass_tolerance=share)
        assert in_order(panel, [fussy, plain], goal, dear)[0] == plain
        cheap = replace(DEFAULT_SETTINGS, mass_per_dimension=0.3 * share / more)
        assert in_order(panel, [fussy, plain], goal, cheap)[0] == fussy
    far = replace(DEFAULT_SETTINGS, mass_per_dimension=1.0, mass_tolerance=0.2 * share)
    assert in_order(panel, [fussy, plain], "lightest", far)[0] == fussy, "never far from the least mass"


def test_a_layout_with_a_short_bow_is_handed_out_only_where_there_is_no_other():
    """Over an opening once stood a bow of 98 mm, of the least minutes."""
    (straight,) = rows(LID.tools.bead_dies[1], (120.0,), 40.0, 260.0)
    bow = replace(straight, path=((60.0, 60.0), (90.0, 68.0), (120.0, 70.0), (150.0, 68.0), (170.0, 60.0)))
    short, even = Layout(1.0, (bow,)), Layout(1.0, (straight,))
    assert is_short_bow(bow) and not is_short_bow(straight)
    for layouts, first in (([short, even], [even]), ([short], [short]), ([even], [even])):
        (pool, *rest) = _short_bows_last(Pool(layouts, wants_margin=True))
        assert pool.layouts == first and pool.wants_margin
        assert [one.layouts for one in rest] == ([layouts] if len(layouts) > 1 else [])
