"""Which gauge each design of a build gets, with searches that are made up."""

from dataclasses import replace

import pytest
from support.trike import PANEL

from stiffen.assembly.designs import Design
from stiffen.errors import InputError, MeshError
from stiffen.model.layout import Layout
from stiffen.model.results import FlatSheetBaseline, SearchResult, Verdict
from stiffen.optimise.candidates.hole_patterns import hole_patterns
from stiffen.optimise.search import build_search
from stiffen.optimise.search.build_search import search_build
from stiffen.optimise.search.finish.least_mass import least_mass

GAUGES = (0.8, 1.0, 1.2, 1.5)


@pytest.fixture
def searched(monkeypatch):
    """Made-up searches: a design meets from its least gauge on, and weighs its size times the gauge."""
    calls = []

    def search(panel, **options):
        name, least, size = panel.name.split()
        calls.append((name, panel.gauges))
        gauge = next((one for one in panel.gauges if one >= float(least)), panel.gauges[-1])
        verdict = Verdict(panel.name, Layout(gauge), float(size) * gauge, 0.0, (), 10)
        ended = options.get("seed") == len(calls)
        return SearchResult(verdict, verdict, FlatSheetBaseline(None, None), interrupted=ended)

    monkeypatch.setattr(Verdict, "met", property(lambda one: one.layout.gauge >= float(one.panel.split()[1])))
    monkeypatch.setattr(build_search, "search", search)
    return calls


def design(name, least, size, count=1, gauges=GAUGES):
    panel = replace(PANEL, name=f"{name} {least} {size}", gauges=gauges)
    return Design(name, panel, ((name, False),), count)


def chosen(result):
    return {name: one.verdict.layout.gauge for name, one in result.results.items()}


def test_each_design_gets_its_own_gauge(searched):
    found = search_build([design("a", 0.8, 1), design("b", 1.2, 1)])
    assert chosen(found) == {"a": 0.8, "b": 1.2} and found.gauges == (0.8, 1.2)
    assert [gauges for _, gauges in searched] == [GAUGES, GAUGES]


def test_one_gauge_is_the_thinnest_at_which_all_meet(searched):
    found = search_build([design("a", 0.8, 1), design("b", 1.2, 1), design("c", 1.0, 1)], "one")
    assert chosen(found) == {"a": 1.2, "b": 1.2, "c": 1.2} and found.met
    # what missed last is searched first: b alone at 1.0
    assert [name for name, (gauge,) in searched if gauge == 1.0] == ["b"]
    assert len(searched) == len(set(searched))


def test_a_thicker_sheet_is_searched_only_where_flared_holes_could_make_it_lighter(searched, monkeypatch):
    whole = build_search.search

    def with_holes(panel, **options):  # at 1.0 mm holes take three tenths, below none
        found = whole(panel, **options)
        gauge = found.verdict.layout.gauge
        lighter = replace(found.verdict, mass_kg=found.verdict.mass_kg * (0.7 if gauge >= 1.0 else 1.0))
        return replace(found, verdict=lighter)

    monkeypatch.setattr(build_search, "search", with_holes)
    monkeypatch.setattr(build_search, "least_mass", lambda panel, gauge: float(panel.name.split()[2]) * gauge)
    build = [design("a", 0.8, 1), design("b", 0.8, 2)]
    assert chosen(search_build(build, "one")) == {"a": 0.8, "b": 0.8}
    assert {gauges for _, gauges in searched} == {(0.8,)}
    monkeypatch.setattr(build_search, "least_mass", lambda panel, gauge: 0.6 * gauge)
    assert chosen(search_build(build, "one")) == {"a": 1.0, "b": 1.0}
    assert {gauges for _, gauges in searched} == {(0.8,), (1.0,), (1.2,), (1.5,)}
    sheets = {0.8: 5.0, 1.0: 4.0}  # of masses within 1 % the one for which less is bought
    monkeypatch.setattr(build_search, "SAME_MASS", 1.2)
    found = search_build(build, "one", sheet_mass=lambda layouts: sheets.get(layouts["a"].gauge, 9.0))
    assert chosen(found) == {"a": 1.0, "b": 1.0}


def test_no_layout_is_lighter_than_a_panel_full_of_holes():
    """The densest pattern that a search may try is a layout too."""
    lid = replace(PANEL, holes=(), holes_at_most=None, flared_holes="any")
    flat = lid.mass(Layout(1.0))
    assert 0.3 * flat < least_mass(lid, 1.0) < flat
    assert least_mass(replace(lid, flared_holes="none"), 1.0) == pytest.approx(flat)
    assert least_mass(replace(lid, holes_at_most=0), 1.0) == pytest.approx(flat)
    rows = hole_patterns(lid, 1.0, (), "")
    assert rows
    assert min(lid.mass(Layout(1.0, holes=tuple(h for row in one for h in row))) for one in rows) > least_mass(lid, 1.0)


def test_two_gauges_of_least_mass(searched):
    """b needs 1.2; a is large and goes thin, c follows the lighter choice."""
    found = search_build([design("a", 0.8, 9), design("b", 1.2, 1), design("c", 1.0, 1, count=2)], "two")
    assert chosen(found) == {"a": 0.8, "b": 1.2, "c": 1.2}
    found = search_build([design("a", 0.8, 1), design("b", 1.2, 1), design("c", 1.0, 9, count=2)], "two")
    assert chosen(found) == {"a": 1.0, "b": 1.2, "c": 1.0}


def test_of_equal_masses_least_sheet_is_bought(searched):
    """One gauge weighs 0.3 % more than two, and saves a sheet."""
    build = [design("a", 1.2, 100), design("b", 1.0, 1, count=2)]
    assert chosen(search_build(build, "two"))["b"] == 1.2  # nothing told of sheets: one gauge before two
    sheets = {1.0: 5.0, 1.2: 6.0}

    def bought(layouts):
        return sum(sheets[gauge] for gauge in {one.gauge for one in layouts.values()})

    assert chosen(search_build(build, "two", sheet_mass=bought)) == {"a": 1.2, "b": 1.2}
    assert chosen(search_build(build, "two", sheet_mass=lambda layouts: -bought(layouts))) == {"a": 1.2, "b": 1.0}
    heavier = [design("a", 1.2, 100), design("b", 1.0, 10, count=2)]
    assert chosen(search_build(heavier, "two", sheet_mass=bought)) == {"a": 1.2, "b": 1.0}


def test_where_no_gauge_meets_the_thickest_is_told_as_not_met(searched):
    found = search_build([design("a", 0.8, 1), design("b", 9.0, 1)], "one")
    assert chosen(found) == {"a": 1.5, "b": 1.5} and not found.met


def test_racks_without_a_common_gauge_are_told(searched):
    with pytest.raises(InputError, match=r"build.gauges: no gauge is in the rack of every panel \(a: 0.8; b: 1, 1.2\)"):
        search_build([design("a", 0.8, 1, gauges=(0.8,)), design("b", 1, 1, gauges=(1.0, 1.2))], "one")


def test_ctrl_c_while_files_are_written_keeps_what_was_found(searched):
    def written(design, result):
        raise KeyboardInterrupt

    found = search_build([design("a", 0.8, 1), design("b", 1.2, 1)], on_found=written)
    assert found.stopped == "interrupted" and list(found.results) == ["a"]


def test_a_design_that_cannot_be_computed_is_named_and_the_others_are_kept(searched, monkeypatch):
    whole = build_search.search

    def search(panel, **options):
        if panel.name.startswith("b"):
            raise MeshError("near (1.0, 2.0): a triangle of quality 0.1")
        return whole(panel, **options)

    monkeypatch.setattr(build_search, "search", search)
    found = search_build([design("a", 0.8, 1), design("b", 1.2, 1), design("c", 1.0, 1)])
    assert list(found.results) == ["a"] and isinstance(found.error, MeshError)
    assert found.stopped == str(found.error) == "b: near (1.0, 2.0): a triangle of quality 0.1"


def test_ctrl_c_keeps_what_was_found(searched):
    found = search_build([design("a", 0.8, 1), design("b", 1.2, 1), design("c", 1.0, 1)], seed=2)
    assert found.stopped == "interrupted" and list(found.results) == ["a", "b"]
