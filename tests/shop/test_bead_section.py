"""Bead sections against recomputed tables, an independent polygon integration, and geometry."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString
from support.records import unchecked

from stiffen.errors import InputError
from stiffen.model.tools import BeadDie
from stiffen.shop import bead_section

ROUND = BeadDie("R", "round", 16, 5, shoulder_radius=2.5)
VEE = BeadDie("V", "vee", 14, 4, nose_radius=2, shoulder_radius=1.5)
FLAT = BeadDie("T", "flat", 24, 5, nose_radius=2, shoulder_radius=3, flank=50)
STEP = BeadDie("S", "step", 10, 4, nose_radius=2, shoulder_radius=3)
FILLETED = (ROUND, VEE, FLAT, STEP)


def sharp(profile: str, width: float, depth: float) -> BeadDie:
    return BeadDie("sharp", profile, width, depth)


def cosine(width: float, depth: float, pitch: float) -> np.ndarray:
    s = np.linspace(-width / 2, width / 2, 401)
    points = np.column_stack([s, depth / 2 * (1 + np.cos(2 * np.pi * s / width))])
    return np.vstack([[-pitch / 2, 0], points, [pitch / 2, 0]])


# Bead sections recomputed outside this project (thin-wall integral about the own centroid, t = 1 mm): developed length
# over pitch, centroid mm, I mm4, printed to 4, 3 and 1 decimals.  Tolerances: half the last digit, and 0.05 % that our
# chords of 2 degrees lie inside the arcs.
TABLE = [
    ("round", 12, 4, {40: (1.0822, 0.919, 92.6), 60: (1.0548, 0.629, 105.8), 100: (1.0329, 0.385, 118.9)}),
    ("round", 16, 6, {40: (1.1363, 1.832, 245.4), 60: (1.0908, 1.272, 293.7), 100: (1.0545, 0.790, 337.2)}),
    ("round", 20, 8, {40: (1.1916, 2.995, 476.9), 60: (1.1277, 2.110, 604.9), 100: (1.0766, 1.326, 720.1)}),
    ("cosine", 20, 6, {40: (1.0972, 1.633, 200.2), 60: (1.0648, 1.122, 238.5), 100: (1.0389, 0.690, 272.8)}),
    ("flat", 20, 5, {40: (1.1036, 1.934, 205.9), 60: (1.0690, 1.331, 259.0), 100: (1.0414, 0.820, 306.0)}),
    ("vee", 12, 4, {40: (1.0606, 0.680, 60.5), 60: (1.0404, 0.462, 68.4), 100: (1.0242, 0.282, 77.0)}),
]
ROWS = [(kind, w, d, pitch, row) for kind, w, d, rows in TABLE for pitch, row in rows.items()]


@pytest.mark.parametrize(
    ("kind", "w", "d", "pitch", "row"), ROWS, ids=lambda v: str(v) if not isinstance(v, tuple) else ""
)
def test_recomputed_table(kind, w, d, pitch, row):
    if kind == "cosine":
        found = bead_section.thin_wall_properties(cosine(w, d, pitch), 1.0)
    else:
        found = bead_section.section_properties(sharp(kind, w, d), 1.0, pitch)
    assert found.developed / pitch == pytest.approx(row[0], rel=5e-4)
    assert found.centroid == pytest.approx(row[1], rel=5e-4, abs=6e-4)
    assert abs(found.I - row[2]) <= 5e-4 * row[2] + 0.05
    assert found.flat_I == pytest.approx(pitch / 12)


@pytest.mark.parametrize(("t", "I"), [(0.8, 233.6), (1.2, 354.9), (1.5, 449.4)])
def test_recomputed_thicknesses(t, I):
    assert abs(bead_section.section_properties(sharp("round", 16, 6), t, 60).I - I) <= 5e-4 * I + 0.05


@pytest.mark.parametrize("die", FILLETED, ids=lambda die: die.profile)
@pytest.mark.parametrize("t", [0.5, 1.0, 2.0])
def test_against_polygon_integration(die, t):
    """The sheet as a solid strip t thick, area and second moment by Green's theorem round its outline."""
    width = 3 * die.width
    line = [
        (-width / 2, 0),
        *map(tuple, bead_section.profile_points(die)),
        (width / 2, bead_section.profile_points(die)[-1, 1]),
    ]
    strip = LineString(line).buffer(t / 2, cap_style="flat", join_style="mitre")
    x, z = np.array(strip.exterior.coords).T
    cross = x[:-1] * z[1:] - x[1:] * z[:-1]
    area = cross.sum() / 2
    centroid = (cross * (z[:-1] + z[1:])).sum() / 6 / area
    second = (cross * (z[:-1] ** 2 + z[:-1] * z[1:] + z[1:] ** 2)).sum() / 12 / area * abs(area)
    solid = second - abs(area) * centroid**2
    found = bead_section.section_properties(die, t, width)
    assert found.area == pytest.approx(abs(area), rel=1e-3)
    assert found.centroid == pytest.approx(centroid, rel=1e-3)
    # Thin-wall theory leaves out that a curved wall has more metal outside its mid-line than inside.  For a bead that
    # leaves the flat sheet and comes back to it, that is t^3/6 int sin^2 ds: with dA = (1 - k n) dn ds,
    # I = t int z^2 + t^3/12 int (cos^2 - 2 z k cos) ds, and by parts int z k cos ds = -int sin^2 ds.
    pieces = np.diff(bead_section.profile_points(die), axis=0)
    outside = t**3 / 6 * (pieces[:, 1] ** 2 / np.hypot(*pieces.T)).sum()
    assert abs(found.I + outside - solid) <= 1e-3 * solid
    if t <= 0.5:
        assert abs(found.I - solid) <= 0.005 * solid


@pytest.mark.parametrize(("w", "d", "drawn"), [(12, 4, 3.29), (16, 6, 5.45), (20, 8, 7.66)])
def test_draw_in_of_arcs(w, d, drawn):
    """Recomputed: free draw-in per bead, mm."""
    assert bead_section.draw_in(sharp("round", w, d)) == pytest.approx(drawn, abs=0.0051)


@pytest.mark.parametrize(
    ("strain", "ratio"), [(0.05, 0.138), (0.07, 0.164), (0.10, 0.197), (0.20, 0.282), (0.30, 0.350)]
)
def test_stretch_of_arcs(strain, ratio):
    """Recomputed: depth over width at which a circular arc whose feet cannot move has that mean strain."""
    die = sharp("round", 100, 100 * ratio)
    assert bead_section.stretch_strain(die) == pytest.approx(
        strain, abs=16 / 3 * ratio * 0.0006
    )  # 3 figures of the ratio


def test_shallow_bead_is_the_flat_sheet():
    found = bead_section.section_properties(unchecked(sharp("round", 16, 1.0), depth=1e-4), 1.0, 60)
    assert abs(found.I / found.flat_I - 1) < 1e-6
    assert found.developed == pytest.approx(60)


@pytest.mark.parametrize("die", FILLETED, ids=lambda die: die.profile)
def test_profile_keeps_its_measures(die):
    points = bead_section.profile_points(die)
    assert points[0] == pytest.approx([-die.width / 2, 0], abs=1e-12)
    assert points[-1] == pytest.approx([die.width / 2, die.depth if die is STEP else 0], abs=1e-12)
    assert points[:, 1].max() == pytest.approx(die.depth)
    if die is not STEP:
        assert points == pytest.approx((points * [-1, 1])[::-1])
    assert (np.diff(points[:, 0]) > 0).all()
    assert np.hypot(*np.diff(points, axis=0).T).sum() == pytest.approx(bead_section.developed_length(die), rel=1e-4)


@pytest.mark.parametrize("die", FILLETED, ids=lambda die: die.profile)
def test_profile_bends_smoothly_with_the_stated_radii(die):
    """No kink, and the circle through three neighbouring points has the radius of shoulder or nose."""
    points = bead_section.profile_points(die)
    pieces = np.diff(np.vstack([[-die.width, 0], points, [die.width, points[-1, 1]]]), axis=0)
    turns = np.abs(np.diff(np.arctan2(pieces[:, 1], pieces[:, 0])))
    assert turns.max() < math.radians(2.001)
    shoulder, nose, theta, *_ = bead_section.half_profile(die)
    steepest = np.arctan2(pieces[:, 1], pieces[:, 0]).max()
    assert theta - math.radians(1) <= steepest <= theta + 1e-9  # chords halve the last step
    a, b, c = points[:3]
    assert circumradius(a, b, c) == pytest.approx(shoulder, rel=1e-6)
    crest = np.flatnonzero(points[:, 1] > die.depth - 1e-9)[0]
    assert circumradius(*points[crest - 2 : crest + 1]) == pytest.approx(nose, rel=1e-6)


def circumradius(a, b, c):
    u, v, w = np.linalg.norm(b - c), np.linalg.norm(a - c), np.linalg.norm(a - b)
    ab, ac = b - a, c - a
    return u * v * w / (2 * abs(ab[0] * ac[1] - ab[1] * ac[0]))


@pytest.mark.parametrize("t", [0.8, 1.5])
def test_sharp_step_by_hand(t):
    """Three straight strips: 15 mm at z = 0, a ramp 10 wide and 4 high about z = 2, 15 mm at z = 4."""
    found = bead_section.section_properties(sharp("step", 10, 4), t, 40)
    ramp = math.sqrt(116)
    assert found.developed == pytest.approx(30 + ramp)
    assert found.centroid == pytest.approx(2)
    assert found.area == pytest.approx(t * (30 + ramp))
    own = t**3 / 12 * (30 + 100 / ramp)
    second = found.I
    assert second == pytest.approx(t * (30 * 2**2 + ramp * 4**2 / 12) + own)


def test_a_step_is_half_a_bead_twice_as_wide():
    bead, step = (BeadDie("X", kind, w, 4, 2, 3) for kind, w in (("vee", 20), ("step", 10)))
    assert 2 * bead_section.developed_length(step) == pytest.approx(bead_section.developed_length(bead))
    assert bead_section.stretch_strain(step) == pytest.approx(bead_section.stretch_strain(bead))
    assert bead_section.tightest_radius(step) == bead_section.tightest_radius(bead) == 2
    assert bead_section.half_profile(step) == bead_section.half_profile(bead)


def test_round_nose_follows_from_shoulder():
    """R + r_s = (w^2/4 + d^2)/(2 d)."""
    assert bead_section.half_profile(ROUND).nose_radius == pytest.approx((64 + 25) / 10 - 2.5)


def test_flat_angle_is_the_flank():
    points = bead_section.profile_points(FLAT)
    slope = np.diff(points[:, 1]) / np.diff(points[:, 0])
    assert math.degrees(math.atan(slope.max())) == pytest.approx(50, abs=1e-6)


dies = st.builds(
    lambda **values: unchecked(ROUND, name="any", **values),
    profile=st.sampled_from(["round", "vee", "flat", "step"]),
    width=st.floats(1, 60),
    depth=st.floats(0.1, 30),
    nose_radius=st.floats(0, 20),
    shoulder_radius=st.floats(0, 20),
    flank=st.floats(5, 89),
)


@given(dies)
def test_any_die_is_drawn_or_refused(die):
    try:
        points = bead_section.profile_points(die)
    except InputError as error:
        assert len(error.faults) == 1
        assert "bead die any" in str(error)
        return
    assert (np.diff(points[:, 0]) >= 0).all()
    assert (points[:, 1] >= -1e-9).all()
    assert points[:, 1].max() == pytest.approx(die.depth)
    assert np.hypot(*np.diff(points, axis=0).T).sum() == pytest.approx(bead_section.developed_length(die), rel=1e-3)
    assert bead_section.developed_length(die) >= die.width


@pytest.mark.parametrize(
    ("die", "says"),
    [
        (unchecked(ROUND, name="X", profile="square"), "unknown profile"),
        (unchecked(ROUND, name="X", width=0), "must be greater than 0"),
        (unchecked(ROUND, name="X", depth=math.nan), "must be greater than 0"),
        (unchecked(ROUND, name="X", shoulder_radius=-1), "radius is negative"),
        (unchecked(ROUND, name="X", run_out=-1), "run-out -1"),
        (BeadDie("X", "round", 16, 8.5), "cannot be 8.5 mm deep .*at most 8 mm"),
        (BeadDie("X", "round", 16, 5, shoulder_radius=8.9), "leaves no nose .*less than 8.90 mm"),
        (BeadDie("X", "vee", 16, 5, nose_radius=5, shoulder_radius=4), "together are 9 mm .*at most 8.90 mm"),
        (BeadDie("X", "vee", 10, 30, nose_radius=5, shoulder_radius=1), "overhang"),
        (BeadDie("X", "flat", 20, 10, flank=45), "flanks need 20.00 mm"),
        (BeadDie("X", "flat", 20, 4, flank=90), "flank angle 90"),
        (BeadDie("X", "flat", 40, 2, nose_radius=5, shoulder_radius=5), "together are 10 mm"),
    ],
)
def test_impossible_die_is_refused(die, says):
    with pytest.raises(InputError, match=says) as caught:
        bead_section.profile_points(die)
    assert len(caught.value.faults) == 1
    assert caught.value.faults[0].where == "bead die X"


def test_strip_narrower_than_the_bead_is_refused():
    with pytest.raises(InputError, match="at least 16 mm wide, got 15 mm"):
        bead_section.section_properties(ROUND, 1.0, 15)


def test_height():
    points = bead_section.profile_points(ROUND)
    assert bead_section.profile_height(ROUND, points[:, 0]) == pytest.approx(points[:, 1])
    assert bead_section.profile_height(ROUND, np.array([[-9.0, 0.0], [8.01, 300.0]])) == pytest.approx(
        np.array([[0, 5], [0, 0]])
    )


def test_height_beside_a_step():
    """Nothing on the side of negative s, the whole depth on the other."""
    assert bead_section.profile_height(STEP, np.array([-50.0, -5.0, 5.0, 50.0])) == pytest.approx([0, 0, 4, 4])


def test_taper():
    run = ROUND.run_out_length
    assert run == 12.5
    along = np.array([-1, 0, run / 2, run, 50, 100 - run, 100 - run / 2, 100])
    assert bead_section.taper(ROUND, along, 100) == pytest.approx([0, 0, 0.5, 1, 1, 1, 0.5, 0], abs=1e-12)
    assert bead_section.taper(ROUND, along, 100, closed=True) == pytest.approx(np.ones(8))
    assert bead_section.taper(ROUND, np.array([5.0, 2.5]), 10) == pytest.approx([1, 0.5])


def test_an_open_end_loses_no_depth():
    run = ROUND.run_out_length
    along = np.array([0, run / 2, 50, 100 - run / 2, 100])
    assert bead_section.taper(ROUND, along, 100, open_ends=(True, False)) == pytest.approx([1, 1, 1, 0.5, 0], abs=1e-12)
    assert bead_section.taper(ROUND, along, 100, open_ends=(False, True)) == pytest.approx([0, 0.5, 1, 1, 1], abs=1e-12)
    assert bead_section.taper(ROUND, along, 100, open_ends=(True, True)) == pytest.approx(np.ones(5))


def test_strains():
    assert bead_section.bend_strain(ROUND, 1.0) == pytest.approx(1 / (2 * 2.0 + 1))  # inner radius 2.5 - t/2
    assert bead_section.bend_strain(ROUND, 6.0) == 1  # a fold on itself
    assert bead_section.bend_strain(sharp("vee", 12, 4), 1.0) is None
    assert bead_section.tightest_radius(sharp("round", 12, 4)) == pytest.approx(6.5)
    assert (1 - bead_section.thinning(FLAT)) * (1 + bead_section.stretch_strain(FLAT)) == pytest.approx(1)  # volume
