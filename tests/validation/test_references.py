"""The shell model against every known value in the tables of `stiffen.validation`."""

import runpy
import sys
from dataclasses import replace

import pytest

from stiffen.validation import runner
from stiffen.validation.case import SOURCE_KINDS, Reference
from stiffen.validation.corrugation import (
    CONSTANT_INDEX,
    SINE_CONSTANTS,
    TRAPEZOID_CONSTANTS,
    equivalent_constants,
    sine,
    trapezoid,
)


def _parameters():
    for r in runner.REFERENCES:
        marks = [pytest.mark.xfail(reason=r.known_miss, strict=True)] if r.known_miss else []
        yield pytest.param(r, id=r.name, marks=marks)


@pytest.mark.parametrize("reference", list(_parameters()))
def test_known_value(reference):
    value = reference.compute()
    assert reference.is_within_tolerance(value), (
        f"{value:.6g} against {reference.expected:.6g} of {reference.source}: "
        f"{reference.difference(value):+.3%}, allowed {reference.tolerance_reason}"
    )


def test_table_is_complete():
    names = [r.name for r in runner.REFERENCES]
    assert len(names) == len(set(names)) >= 300
    assert {r.kind for r in runner.REFERENCES} <= set(SOURCE_KINDS)
    assert sum(r.kind == "published" for r in runner.REFERENCES) >= 70
    assert all(r.source and r.tolerance_reason and 0 < r.tolerance <= 0.03 for r in runner.REFERENCES)


# The constants used for the whole corrugated plates, against the printed tables.
@pytest.mark.parametrize(
    ("profile", "t", "E", "nu", "table"),
    [
        pytest.param(sine(0.32, 0.11, 4000), 0.005, 30e9, 0.2, SINE_CONSTANTS, id="Ye Table 1, sine"),
        pytest.param(
            trapezoid(0.0508, 0.0127, 1), 0.00635, 21e9, 0.3, TRAPEZOID_CONSTANTS, id="Xia Table 5, trapezoid"
        ),
    ],
)
def test_closed_form_meets_the_printed_constants(profile, t, E, nu, table):
    ours = equivalent_constants(profile, t, E, nu)
    assert set(table) <= set(CONSTANT_INDEX)
    assert {name: ours[name] for name in table} == pytest.approx(table, rel=1e-3)


@pytest.fixture
def three():
    good = Reference("plates", "beam, w", "a book, table 1", "published", 2.0, 0.01, "two figures", lambda: 2.01)
    bad = replace(good, name="beam, M", kind="recomputed", compute=lambda: 1.9)
    return [(r, r.compute()) for r in (good, bad, replace(bad, name="beam, f", known_miss="too thick"))]


def test_long_table_shows_source_difference_and_reason(three):
    text = "\n".join(runner.detail_table(three))
    assert "beam, w" in text and "+0.500%" in text and "published: a book, table 1; two figures" in text
    assert text.count("OUTSIDE") == 2 and "known miss: too thick" in text


def test_short_table_counts_and_names_what_fails(three):
    _, line, last = runner.summary_table(three)
    assert line.split() == ["plates", "3", "1", "2", "0", "5.00%", "1"]
    assert last == "3 checks; outside tolerance, apart from known misses: beam, M"
    assert [r.name for r, _ in runner.failures(three)] == ["beam, M"]


def test_script_exits_by_the_outcome(three, monkeypatch, capsys):
    monkeypatch.setattr(runner, "measure", lambda: three)
    assert runner.main(["--short"]) == 1
    monkeypatch.setattr(runner, "measure", lambda: three[:1])
    assert runner.main([]) == 0
    assert "beam, w" in capsys.readouterr().out


def test_the_entry_point_runs_the_same_table(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["validate", "--help"])
    with pytest.raises(SystemExit) as ended:
        runpy.run_module("stiffen.validate", run_name="__main__")
    assert ended.value.code == 0
    assert "python -m stiffen.validate [-h] [--short]" in capsys.readouterr().out
