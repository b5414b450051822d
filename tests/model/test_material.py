"""The shipped sheet materials against printed values.

MIL-HDBK-5J (U.S. Department of Defense, 2003), Tables 3.5.1.0(b1) and (b2), 3.6.2.0(b1), 3.2.3.0(b1), 2.7.1.0(b), read
in a retyped edition; bend radii from FAA AC 43.13-1B (1998), Table 4-6.
"""

import pytest

from stiffen.model.material import find_material, material_aliases, materials, rated_thickness, stock_gauges

KSI = 6.894757  # MPa
LB_PER_IN3 = 27679.9e-9  # kg/mm3

# name: E Msi, nu, rho lb/in3, Fty ksi and Ftu ksi (A or S basis, the lower of L and LT)
MIL_HDBK_5J = {
    "5052-O": (10.1, 0.33, 0.097, 9.5, 25),
    "5052-H32": (10.1, 0.33, 0.097, 22, 31),
    "5052-H34": (10.1, 0.33, 0.097, 25, 34),
    "6061-T4": (9.9, 0.33, 0.098, 16, 30),
    "6061-T6": (9.9, 0.33, 0.098, 35, 42),
    "2024-T3": (10.5, 0.33, 0.100, 42, 63),
    "304": (29.0, 0.27, 0.286, 26, 73),
}
# name: {thickness mm: upper end of the range of the least inside radius, multiples of t}
AC43_BEND = {
    "5052-O": {0.41: 0, 0.81: 0, 1.63: 1, 3.25: 1},
    "5052-H32": {0.41: 0, 0.81: 0, 1.63: 1, 3.25: 1.5},
    "5052-H34": {0.41: 0, 0.81: 0, 1.63: 1.5, 3.25: 2.5, 4.62: 2.5, 6.55: 3},
    "6061-T4": {0.41: 1, 0.81: 1, 1.63: 1.5, 3.25: 2, 4.62: 3, 6.55: 4},
    "6061-T6": {0.41: 1, 0.81: 1.5, 1.63: 2, 3.25: 3, 4.62: 4, 6.55: 4},
    "2024-T3": {0.41: 3, 0.81: 4, 1.63: 5, 3.25: 6, 4.62: 6, 6.55: 7},
}
ALUMINIUM = "5052-H32 5052-O 5754-H111 5754-H22 6061-T4 6061-T6 6061-O 2024-T3 1050A-H14 3003-H14"
EXPECTED_MATERIALS = {*ALUMINIUM.split(), "DC01", "DX51D", "304", "Ti grade 2"}


@pytest.mark.parametrize("name", MIL_HDBK_5J)
def test_elastic_constants_and_density_agree_with_the_handbook(name):
    modulus, nu, rho, _, _ = MIL_HDBK_5J[name]
    material = materials()[name]
    young = material.E
    assert young == pytest.approx(modulus * 1000 * KSI, rel=0.02)
    assert material.rho == pytest.approx(rho * LB_PER_IN3, rel=0.02)
    assert material.nu == pytest.approx(nu, abs=0.005)


@pytest.mark.parametrize("name", MIL_HDBK_5J)
def test_strength_is_not_above_the_basis_and_not_far_below(name):
    _, _, _, fty, ftu = MIL_HDBK_5J[name]
    material = materials()[name]
    for shipped, printed in ((material.yield_strength, fty * KSI), (material.tensile, ftu * KSI)):
        assert 0.98 * printed <= shipped <= printed + 0.5  # half a MPa: the rows are whole numbers


@pytest.mark.parametrize("name", AC43_BEND)
def test_bend_radius_is_the_upper_end_of_the_printed_range(name):
    for thickness, multiple in AC43_BEND[name].items():
        assert materials()[name].least_bend_radius(thickness) == pytest.approx(multiple * thickness)


def test_bend_radius_of_3003_h14():
    """Aluminum Association (January 2005), Table 3-1, read in a copy: 0 to 1/16 in, 1 t to 3/16 in, 1.5 t at 1/4 in."""
    for inch, multiple in {1 / 64: 0, 1 / 32: 0, 1 / 16: 0, 1 / 8: 1, 3 / 16: 1, 1 / 4: 1.5}.items():
        assert materials()["3003-H14"].least_bend_radius(inch * 25.4) == pytest.approx(multiple * inch * 25.4)


def test_bend_radius_between_columns_takes_the_thicker_one():
    assert materials()["6061-T6"].least_bend_radius(1.0) == pytest.approx(2.0)
    assert materials()["6061-T6"].least_bend_radius(7.0) is None
    assert materials()["DC01"].least_bend_radius(1.0) is None


def test_every_expected_material_is_listed_with_its_source():
    assert set(materials()) >= EXPECTED_MATERIALS
    for name, material in materials().items():
        assert material.name == name
        assert len(material.source) > 15
        assert 0 < material.yield_strength <= material.tensile
        assert 0 < material.nu < 0.5
        assert 0 < material.elongation < 1
        assert 60e3 < material.E < 220e3
        assert 2.5e-6 < material.rho < 8e-6


def test_density_of_steel_is_that_of_iron():
    # 7874 kg/m3, pure iron at 20 C, CRC Handbook (from memory); low-carbon steel lies within 1 % of it
    for name in ("DC01", "DX51D", "304"):
        assert materials()[name].rho == pytest.approx(7.874e-6, rel=0.01)


def test_roller_rated_for_mild_steel_takes_just_that_in_dc01():
    assert rated_thickness(materials()["DC01"], 1.2) == pytest.approx(1.2)


def test_roller_rated_12_takes_about_15_in_soft_aluminium():
    # common practice, no source: a roller rated 1.2 mm for steel takes about 1.5 mm of soft aluminium
    for name in ("5052-H32", "5754-H111"):
        assert rated_thickness(materials()[name], 1.2) == pytest.approx(1.5, abs=0.15)


def test_stock_gauges_are_inches_as_named():
    inch = stock_gauges()["aluminium by the inch"]
    for name, mm in inch:
        assert mm == pytest.approx(float(name.removesuffix(" in")) * 25.4, abs=0.001)
    for rows in stock_gauges().values():
        sizes = [mm for _, mm in rows]
        assert sizes == sorted(sizes)
        assert all(0.1 <= size <= 6 for size in sizes)


@pytest.mark.parametrize(
    ("word", "name"),
    [
        ("5754-H111", "5754-H111"),
        ("EN AW-5754 H111", "5754-H111"),
        ("EN AW 5754-H111", "5754-H111"),
        ("AW-5754 H111", "5754-H111"),
        ("AlMg3 H111", "5754-H111"),
        ("en aw-almg2.5 h32", "5052-H32"),
        ("aluminium 5052 H32", "5052-H32"),
        ("AA 2024-T3", "2024-T3"),
        ("EN AW-1050A H14", "1050A-H14"),
        ("half-hard", "1050A-H14"),
        ("mild steel", "DC01"),
        ("Mild Steel", "DC01"),
        ("dc 01", "DC01"),
        ("1.0330", "DC01"),
        ("stainless", "304"),
        ("1.4301", "304"),
        ("EN 1.4301", "304"),
        ("X5CrNi18-10", "304"),
        ("galvanised steel", "DX51D"),
        ("Ti Grade 2", "Ti grade 2"),
        ("5754", None),  # without its temper the strength would be a guess
        ("AlMg3", None),
        ("unobtainium", None),
        ("", None),
    ],
)
def test_common_words_and_names_of_standards_are_found(word, name):
    """Names of EN 573, EN 10027 and the trade, from memory."""
    found = find_material(word)
    assert (found and found.name) == name


def test_no_word_stands_for_two_materials():
    words = [word.casefold().replace(" ", "").replace("-", "") for also in material_aliases().values() for word in also]
    assert len(words) == len(set(words))
    assert not set(words) & {name.casefold().replace("-", "") for name in materials()}
