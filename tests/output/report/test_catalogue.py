"""The catalogue lists every built-in material and tool, and the values of a shop's own tools file in their place."""

from dataclasses import replace

from stiffen.io.panel_file import starter_tools
from stiffen.model.material import materials, stock_gauges
from stiffen.model.tools import Cutter
from stiffen.output.report.catalogue import stock_lines
from stiffen.shop.flared_holes import stock_cutters
from stiffen.shop.process_plan import BENCH_MINUTES
from stiffen.shop.spacing_rules import SPACING_RULES

STARTER = starter_tools()


def told(tools=STARTER):
    return "\n".join(stock_lines(tools))


def test_everything_built_in_is_listed():
    words = told()
    for material in materials().values():
        assert f"{material.name}: " in words
    for kind, sizes in stock_gauges().items():
        line = next(line for line in words.splitlines() if line.startswith(f"{kind}: "))
        assert sizes[0][0].removesuffix(" mm") in line
    for name in (*SPACING_RULES, *(die.name for die in (*STARTER.bead_dies, *STARTER.hole_dies))):
        assert any(line.split()[:1] == [name] for line in words.splitlines())
    for cutter in stock_cutters():
        assert f"{cutter.kind}: {cutter.sizes[0]:g}" in words


def test_the_shops_own_values_stand_in_place():
    own = replace(STARTER, spacing={"bead_bead": 17.5}, cutters=(Cutter("trepanner", (41.0,)),))
    line = next(line for line in told(own).splitlines() if line.startswith("bead_bead"))
    assert "17.5" in line
    assert line.endswith("this shop's own")
    assert "trepanner: 41" in told(own)
    assert "hole saw" not in told(own)


def test_roller_rated_for_steel_is_told_for_every_sheet():
    """1.2 mm of mild steel (340 MPa): 1.2 sqrt(340/214) = 1.51 mm of 5052-H32."""
    line = next(line for line in told().splitlines() if line.startswith("5052-H32  "))
    assert line.split()[-1] == "1.51"


def test_other_names_and_minutes_are_listed():
    words = told()
    assert any(line.startswith("DC01: mild steel, 1.0330") for line in words.splitlines())
    own = told(replace(STARTER, minutes={"fold": 2.5}))
    assert next(line for line in own.splitlines() if line.startswith("fold ")).split()[1] == "2.5"
    assert all(any(line.startswith(f"{name} ") for line in words.splitlines()) for name in BENCH_MINUTES)
    assert "5052 to" not in words  # one fabricator's limit is not the die's


def test_lines_fit_a_screen():
    assert max(map(len, told().splitlines())) <= 120
