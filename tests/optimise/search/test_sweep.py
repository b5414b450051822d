"""Sweeps: what is varied, searches that start from the layout of the row before, and the table, CSV and picture."""

import copy
import csv
import io
from dataclasses import replace
from pathlib import Path

import matplotlib.text
import pytest
from support.panels import B16, B20, lid, rows
from support.trike import GOOD

from stiffen.errors import InputError
from stiffen.io.panel_file import panel_from_dict, read_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Demand, Load
from stiffen.model.results import DemandResult, FlatSheetBaseline, SearchResult
from stiffen.optimise.search.incumbent import rank
from stiffen.optimise.search.sweep import (
    SweepPlan,
    SweepRow,
    not_monotone,
    parse_sweep,
    sweep,
)
from stiffen.output.plots import sweep_plot
from stiffen.output.report.sweep_table import shown_demand, sweep_csv, sweep_notes, sweep_table

WIND, HERTZ = Demand("deflection", 3.0, "wind"), Demand("frequency", 40.0)
ONE = lid(gauges=(0.8, 1.0, 1.5), demands=(WIND,))
TWO = replace(ONE, demands=(WIND, HERTZ))
BEADS = rows(B16, (100.0, 200.0, 300.0))


def found(panel, layout, value=2.0, hertz=50.0, baseline=True, interrupted=False):
    """A made-up result of a search."""
    values = {"deflection": value, "frequency": hertz}
    demands = tuple(
        DemandResult(d.kind, d.label, d.unit, d.limit, values[d.kind], m := d.margin(values[d.kind]), m >= 0, d.case)
        for d in panel.demands
    )
    verdict = replace(GOOD, layout=layout, demands=demands, mass_kg=panel.mass(layout))
    flat = replace(verdict, layout=Layout(1.5), mass_kg=panel.mass(Layout(1.5)))
    return SearchResult(
        verdict,
        flat,
        FlatSheetBaseline(1.5, flat.mass_kg, (1.5,), flat) if baseline else FlatSheetBaseline(None, None),
        interrupted=interrupted,
    )


def misses(panel, layout, **options):
    """A made-up evaluation: no layout of another row will do."""
    return found(panel, layout, value=9.0).verdict


class Searcher:
    """A made-up search whose layout has one bead less in each row; `asked` keeps what it was asked."""

    def __init__(self):
        self.asked = []

    def __call__(self, panel, *, start, progress, **options):
        self.asked.append((panel, start, options))
        progress(0.5, "half way")
        beads = BEADS[: max(0, 4 - len(self.asked))]
        return found(panel, Layout(panel.gauges[0], beads), value=panel.demands[0].limit * 0.9)


# ------------------------------------------------------------------------------------------------------- the request


@pytest.mark.parametrize(
    ("panel", "text", "expected"),
    [
        (ONE, "limit=3,2,4", SweepPlan("limit", (2.0, 3.0, 4.0), 0)),
        (ONE, "deflection=3,2", SweepPlan("limit", (2.0, 3.0), 0)),
        (TWO, "frequency = 30, 50,40", SweepPlan("limit", (50.0, 40.0, 30.0), 1)),
        (TWO, "deflection wind=2,1", SweepPlan("limit", (1.0, 2.0), 0)),
        (TWO, "gauge=1.2,0.8", SweepPlan("gauge", (0.8, 1.2))),
        (TWO, "dies=2,1", SweepPlan("dies", (1.0, 2.0))),
    ],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_values_go_from_the_most_demanding_to_the_least(panel, text, expected):
    assert parse_sweep(panel, text) == expected


@pytest.mark.parametrize(
    ("panel", "text", "message"),
    [
        (ONE, "limit", "'limit' has no values"),
        (ONE, "colour=1,2", "'colour' cannot be swept (one of: limit, gauge, dies, \"deflection wind=...\")"),
        (TWO, "limit=1,2", "'limit' may be any of 2 demands (name one of them: "),
        (
            replace(
                ONE, demands=(WIND, replace(WIND, case="rain")), loads=(*ONE.loads, Load("rain", "pressure", 1e-5))
            ),
            "deflection=1,2",
            "may be any of 2 demands",
        ),
        (ONE, "limit=1,x", "'x' is not a number greater than 0"),
        (ONE, "limit=1,-2", "'-2' is not a number greater than 0"),
        (ONE, "limit=1,nan", "'nan' is not a number greater than 0"),
        (ONE, "limit=1,inf", "'inf' is not a number greater than 0"),
        (ONE, "limit=1,", "'' is not a number greater than 0"),
        (ONE, "dies=1,1.5", "'1.5' is not a whole number greater than 0"),
        (ONE, "limit=2", "got 1 values (give 2 to 24)"),
        (ONE, "limit=2,2.0", "holds a value twice"),
        (ONE, "gauge=" + ",".join(f"{1 + k / 10}" for k in range(25)), "got 25 values"),
        (replace(ONE, demands=()), "gauge=1,2", "the panel file makes no demand"),
        (replace(ONE, goal="stiffest"), "limit=1,2", "asks for no limit"),
    ],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_bad_sweeps_are_refused(panel, text, message):
    with pytest.raises(InputError) as error:
        parse_sweep(panel, text)
    assert str(error.value).startswith("--sweep: ") and message in str(error.value)


def test_each_row_has_its_own_panel():
    assert parse_sweep(TWO, "frequency=30,50").panel_for(TWO, 30.0).demands == (WIND, replace(HERTZ, limit=30.0))
    assert parse_sweep(TWO, "gauge=1,2").panel_for(TWO, 2.0).gauges == (2.0,)
    assert parse_sweep(TWO, "dies=1,2").panel_for(TWO, 1.0).dies_at_most == 1


def test_a_row_panel_reads_back_as_it_is():
    panel = read_panel(Path(__file__).parents[3] / "stiffen" / "data" / "starter_panel.toml")
    kept = copy.deepcopy(panel.source)
    for text in ("gauge=0.8,1", "dies=1,2", f"{panel.demands[0].label}=1,2"):
        plan = parse_sweep(panel, text)
        one = plan.panel_for(panel, plan.values[1])
        again = panel_from_dict(one.source, Path())
        assert (again.gauges, again.dies_at_most, again.demands) == (one.gauges, one.dies_at_most, one.demands)
        assert one != panel
    assert panel.source == kept, "the panel itself is left alone"


# ----------------------------------------------------------------------------------------------------------------- rows


def test_each_search_starts_from_the_layout_of_the_row_before():
    searcher, reports, done = Searcher(), [], []
    out = sweep(
        ONE,
        parse_sweep(ONE, "limit=2,3,4"),
        seconds=7.0,
        progress=lambda *report: reports.append(report),
        searcher=searcher,
        checker=misses,
        on_row=done.append,
    )
    assert [row.value for row in out] == [2.0, 3.0, 4.0] == [row.value for row in done]
    assert [start for _, start, _ in searcher.asked] == [None, Layout(0.8, BEADS), Layout(0.8, BEADS[:2])]
    assert [panel.demands[0].limit for panel, _, _ in searcher.asked] == [2.0, 3.0, 4.0]
    assert all(options["seconds"] == 7.0 for _, _, options in searcher.asked)
    assert [fraction for fraction, _ in reports] == pytest.approx([1 / 6, 3 / 6, 5 / 6])
    assert reports[1][1] == "limit of deflection wind, mm 3: half way"


def test_a_start_layout_takes_the_gauge_of_the_row():
    searcher = Searcher()
    sweep(ONE, parse_sweep(ONE, "gauge=0.8,1.2"), start=Layout(1.0, BEADS[:1]), searcher=searcher, checker=misses)
    assert [start for _, start, _ in searcher.asked] == [Layout(0.8, BEADS[:1]), Layout(1.2, BEADS)]


@pytest.mark.parametrize(
    ("panel", "start"),
    [
        (ONE, Layout(0.9, BEADS)),
        (ONE, Layout(1.0, rows(B16, (100.0, 105.0)))),
        (replace(ONE, beads_at_most=2), Layout(1.0, BEADS)),
        (replace(ONE, dies_at_most=1), Layout(1.0, rows(B16, (100.0,)) + rows(B20, (300.0,)))),
    ],
    ids=["not in the rack", "breaks a rule", "too many beads", "too many dies"],
)
def test_a_layout_that_breaks_a_limit_or_rule_is_no_start(panel, start):
    searcher = Searcher()
    sweep(panel, parse_sweep(panel, "limit=2,3"), start=start, searcher=searcher, checker=misses)
    assert searcher.asked[0][1] is None


def test_an_interrupted_row_is_the_last():
    def interrupted(panel, **options):
        return found(panel, Layout(0.8), interrupted=True)

    assert len(sweep(ONE, parse_sweep(ONE, "limit=2,3,4"), searcher=interrupted)) == 1


# ---------------------------------------------------------------------------------------------------- carried both ways


class Scripted:
    """Made-up searches and evaluations: a layout of n beads at a gauge has the deflection of `deflection`.

    found: for each limit, the layouts that its searches find one after the other, unless the start is better.
    """

    def __init__(self, found):
        self.found = {limit: list(layouts) for limit, layouts in found.items()}
        self.asked = []

    @staticmethod
    def deflection(layout):
        return 4.0 / layout.gauge - 0.5 * len(layout.beads)

    def check(self, panel, layout, **options):
        return found(panel, layout, value=self.deflection(layout)).verdict

    def search(self, panel, *, start, **options):
        limit = panel.demands[0].limit
        self.asked.append((limit, start))
        layout = self.found[limit].pop(0)
        tries = [one for one in (layout, start) if one is not None]
        best = min(tries, key=lambda one: rank(panel, self.check(panel, one)))
        return replace(found(panel, best, value=self.deflection(best)), cut_short=len(self.found[limit]) > 0)


THICK, THIN = Layout(1.5), Layout(1.0, BEADS)


def scripted_sweep(script, **options):
    plan = parse_sweep(ONE, "limit=2.6,3")
    return plan, sweep(ONE, plan, searcher=script.search, checker=script.check, **options)


def test_a_better_layout_of_an_easier_row_is_carried_to_the_more_demanding_one():
    heavy = Layout(1.5, BEADS)
    script, written = Scripted({2.6: [heavy, heavy], 3.0: [THIN]}), []
    assert script.deflection(THIN) <= 2.6, "the layout of the easier row serves both"
    plan, out = scripted_sweep(script, on_row=written.append)
    assert [(limit, start) for limit, start in script.asked] == [(2.6, None), (3.0, heavy), (2.6, THIN)]
    assert [row.result.verdict.layout for row in out] == [THIN, THIN]
    assert [row.searched_again for row in out] == [True, False]
    assert [(row.value, row.searched_again) for row in written] == [(2.6, False), (3.0, False), (2.6, True)]
    assert not not_monotone(ONE, plan, out)
    assert sweep_notes(ONE, plan, out) == [
        "searched again, from the layout of a neighbouring row that served better: 2.6"
    ]


def test_what_a_second_search_finds_is_carried_on_to_the_easier_rows():
    thinner = Layout(0.8, (*BEADS, *rows(B16, (40.0, 360.0))))
    script = Scripted({2.6: [Layout(1.5, BEADS), thinner], 3.0: [THIN, THIN]})
    assert script.deflection(thinner) <= 2.6
    _, out = scripted_sweep(script)
    assert [row.result.verdict.layout for row in out] == [thinner, thinner]
    assert script.asked[-1] == (3.0, thinner)


def test_a_layout_that_misses_the_stiffer_demand_is_not_carried():
    softer = Layout(1.0, BEADS[:2])
    script = Scripted({2.6: [Layout(1.5, BEADS)], 3.0: [softer]})
    assert 2.6 < script.deflection(softer) <= 3.0
    _, out = scripted_sweep(script)
    assert len(script.asked) == 2 and [row.searched_again for row in out] == [False, False]


def test_a_second_search_that_is_interrupted_keeps_the_better_layout_and_ends_the_sweep():
    script = Scripted({2.6: [Layout(1.5, BEADS)], 3.0: [THIN]})
    first = []

    def search(panel, **options):
        if panel.demands[0].limit in first:
            return found(panel, Layout(1.5), value=9.0, interrupted=True)
        first.append(panel.demands[0].limit)
        return script.search(panel, **options)

    out = sweep(ONE, parse_sweep(ONE, "limit=2.6,3"), searcher=search, checker=script.check)
    assert [row.result.verdict.layout for row in out] == [Layout(1.5, BEADS), THIN]
    assert out[0].result.interrupted


@pytest.mark.parametrize(
    ("text", "panel", "verdicts", "false"),
    [
        ("limit=2,3", ONE, ((1.0, 1.9), (1.5, 1.9)), True),
        ("limit=2,3", ONE, ((1.0, 1.9), (0.8, 2.9)), False),
        ("limit=2,3", ONE, ((1.5, 1.9), (1.0, 3.9)), True),
        ("limit=2,3", ONE, ((0.8, 2.9), (1.0, 2.9)), False),
        ("gauge=1,1.5", ONE, ((1.0, 2.9), (1.5, 2.5)), False),
        ("gauge=1,1.5", ONE, ((1.0, 2.9), (1.5, 3.1)), True),
        ("gauge=1,1.5", replace(ONE, goal="stiffest"), ((1.0, 2.0), (1.5, 2.5)), True),
        ("dies=1,2", ONE, ((1.0, 2.9), (1.5, 2.5)), True),
    ],
    ids=["heavier", "lighter", "not met", "neither to compare", "thicker", "thicker misses", "less stiff", "more dies"],
)
def test_a_curve_that_is_not_monotone_is_told(text, panel, verdicts, false):
    plan = parse_sweep(panel, text)
    out = tuple(
        SweepRow(value, found(plan.panel_for(panel, value), Layout(gauge), deflection))
        for value, (gauge, deflection) in zip(plan.values, verdicts, strict=True)
    )
    assert bool(not_monotone(panel, plan, out)) == false
    told = [line for line in sweep_notes(panel, plan, out) if line.startswith("not to be trusted: ")]
    assert bool(told) == false
    if false:
        low, high = plan.values
        assert told[0].startswith(f"not to be trusted: {high:g} asks for less than {low:g} and came out worse")


def test_rows_that_the_clock_cut_short_are_marked_in_table_and_csv():
    plan, out = three()
    out = (replace(out[0], result=replace(out[0].result, cut_short=True)), *out[1:])
    assert [line[0] for line in sweep_table(TWO, plan, out)[1]] == ["2 ~", "3", "4 *"]
    assert sweep_notes(TWO, plan, out)[:2] == [
        "* not met",
        "~ cut short: with more time the search may find a better layout",
    ]
    lines = list(csv.DictReader(io.StringIO(sweep_csv(TWO, plan, out))))
    assert [line["cut short"] for line in lines] == ["yes", "no", "no"]


# --------------------------------------------------------------------------------------------------------- the results


def three(values=((2.0, 1.9, 1.0), (3.0, 2.9, 0.8), (4.0, 4.2, 0.8))):
    """Rows of a swept limit: (limit, found, gauge)."""
    plan = parse_sweep(TWO, "deflection=2,3,4")
    return plan, tuple(
        SweepRow(limit, found(plan.panel_for(TWO, limit), Layout(gauge, BEADS), value, baseline=limit > 2))
        for limit, value, gauge in values
    )


def test_table_has_a_line_a_row_and_stars_what_is_not_met():
    plan, out = three()
    head, lines = sweep_table(TWO, plan, out)
    assert head[0] == "limit of deflection wind, mm" and head[6] == "deflection wind, mm"
    assert [line[0] for line in lines] == ["2", "3", "4 *"]
    assert [line[1] for line in lines] == ["1", "0.8", "0.8"]
    assert [line[6] for line in lines] == ["1.9", "2.9", "4.2"]
    assert [line[7] for line in lines] == ["+5 % deflection wind", "+3 % deflection wind", "-5 % deflection wind"]
    assert [line[8] for line in lines] == ["none", *[f"{TWO.mass(Layout(1.5)):.3f}"] * 2]
    assert all(len(line) == len(head) for line in lines)


def test_csv_has_full_figures_of_every_demand():
    plan, out = three()
    lines = list(csv.DictReader(io.StringIO(sweep_csv(TWO, plan, out))))
    assert [line["met"] for line in lines] == ["yes", "yes", "no"]
    assert [float(line["deflection wind, mm"]) for line in lines] == [1.9, 2.9, 4.2]
    assert [float(line["frequency, Hz"]) for line in lines] == [50.0] * 3
    assert float(lines[0]["mass kg"]) == pytest.approx(TWO.mass(Layout(1.0)), rel=1e-5)
    assert lines[0]["flat sheet kg"] == ""


def test_the_demand_that_is_short_most_often_stands_for_stiffness():
    plan = parse_sweep(TWO, "gauge=0.8,1.0")
    out = tuple(SweepRow(g, found(TWO, Layout(g), hertz=hertz)) for g, hertz in ((0.8, 20.0), (1.0, 41.0)))
    assert shown_demand(plan, out) == 1
    assert shown_demand(*three()) == 0


@pytest.fixture
def figure(monkeypatch):
    """The figure that would be saved."""
    kept = []
    monkeypatch.setattr(sweep_plot, "save_png", lambda figure, path: kept.append(figure))
    return kept


def test_picture_shows_every_row_and_the_flat_sheets_stiffer_to_the_right(figure):
    plan, out = three()
    sweep_plot.sweep_picture(TWO, plan, out, "unused.png")
    (axis,) = figure[0].axes
    left, right = axis.get_xlim()
    assert left > right, "a small deflection is stiff"
    marked = {line.get_label(): line.get_xydata().tolist() for line in axis.lines}
    heavy, light, flat = (TWO.mass(Layout(gauge)) for gauge in (1.0, 0.8, 1.5))
    assert [2.9, light] in [place for places in marked.values() for place in places]
    assert marked["best found, NOT MET"] == [[4.2, light]]
    assert sorted(marked["flat sheets that meet the same demands"]) == [[2.9, flat], [4.2, flat]]
    assert [1.9, heavy] in [place for places in marked.values() for place in places]
    words = [text.get_text() for text in figure[0].findobj(matplotlib.text.Text)]
    assert {"1.5 mm", "mass, kg"} <= set(words)
    for asked, reached, gauge in (("2", "1.90", "1"), ("3", "2.90", "0.8"), ("4", "4.20", "0.8")):
        assert f"asked {asked}\nreached {reached}\n{gauge} mm" in words
    assert "deflection wind as computed, mm; stiffer to the right" in words


def test_picture_of_frequencies_runs_upward_and_is_written(tmp_path):
    plan = parse_sweep(TWO, "frequency=50,40")
    out = tuple(SweepRow(f, found(TWO, Layout(1.0, BEADS), hertz=f + 1)) for f in plan.values)
    sweep_plot.sweep_picture(TWO, plan, out, tmp_path / "a.png")
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")


def test_a_row_without_a_number_is_left_out_of_the_picture(figure):
    plan, out = three(((2.0, float("nan"), 1.0), (3.0, 2.9, 0.8)))
    sweep_plot.sweep_picture(TWO, plan, out, "unused.png")
    words = [text.get_text() for text in figure[0].findobj(matplotlib.text.Text)]
    assert "asked 3\nreached 2.90\n0.8 mm" in words
    assert not any(word.startswith("asked 2") for word in words)


def test_picture_marks_what_was_cut_short_and_joins_only_sound_rows(figure):
    plan, out = three(((2.0, 1.9, 1.5), (3.0, 2.9, 1.0), (4.0, 4.2, 0.8)))
    out = (out[0], replace(out[1], result=replace(out[1].result, cut_short=True)), out[2])
    sweep_plot.sweep_picture(TWO, plan, out, "unused.png")
    (axis,) = figure[0].axes
    marked = {line.get_label(): line for line in axis.lines}
    assert marked["layouts found, cut short"].get_marker() == "^"
    (joined,) = [line for line in axis.lines if line.get_marker() == "None"]
    assert joined.get_xydata()[:, 0].tolist() == [1.9]


def test_a_point_of_several_rows_says_which_of_them_is_not_met(figure):
    plan, out = three(((2.0, 2.5, 1.0), (3.0, 2.5, 1.0), (4.0, 3.5, 0.8)))
    sweep_plot.sweep_picture(TWO, plan, out, "unused.png")
    words = [text.get_text() for text in figure[0].findobj(matplotlib.text.Text)]
    assert "asked 2 (not met), 3\nreached 2.50\n1 mm" in words
    (axis,) = figure[0].axes
    assert "best found, NOT MET" not in {line.get_label() for line in axis.lines}
