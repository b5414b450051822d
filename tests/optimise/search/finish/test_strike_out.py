"""What a layout does not need is removed: the surrogate sorts out, the shell decides."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from support.panels import B16, lid, rows

from stiffen.model.layout import Layout
from stiffen.model.panel import Demand
from stiffen.optimise.candidates.bead_rules import BeadRules
from stiffen.optimise.search.budget import UNLIMITED
from stiffen.optimise.search.finish.strike_out import strike_out
from stiffen.optimise.search.settings import DEFAULT_SETTINGS

PANEL = lid(300.0, 240.0, demands=(Demand("buckling", 2.0, "wind"), Demand("frequency", 60.0)))
LAYOUT = Layout(1.0, rows(B16, (80.0, 160.0), 50.0, 250.0))


def state(without_one: tuple[float, float], by_shell: float) -> SimpleNamespace:
    """A search in which the surrogate and the shell say so of a layout without one of its beads."""

    def expected(layouts):
        asked.extend(layouts)
        return [by_shell] * len(layouts)

    asked: list[Layout] = []
    runner = SimpleNamespace(confirm=lambda _: ((0.6, 0.6), {}), batch=lambda layouts, *_: [without_one] * len(layouts))
    evaluator = SimpleNamespace(quick_utilisations=lambda _: (0.9, 0.6), mesh_factors={}, expected=expected)
    return SimpleNamespace(
        panel=PANEL, runner=runner, evaluator=evaluator, settings=DEFAULT_SETTINGS, report=lambda _: None, asked=asked
    )


@pytest.mark.parametrize(
    ("without_one", "by_shell", "beads", "is_asked"),
    [
        ((0.5, 0.6), 0.9, 0, True),
        ((0.9, 0.6), 0.9, 0, True),  # the surrogate sees the sheet buckle, the shell does not
        ((0.9, 0.6), 1.2, 2, True),
        ((0.5, 1.2), 0.9, 2, False),  # of a frequency the surrogate may say no
    ],
)
def test_a_bead_goes_if_the_shell_does_not_need_it(without_one, by_shell, beads, is_asked):
    one = replace(PANEL, symmetry="none")
    search = state(without_one, by_shell)
    search.panel = one
    left = strike_out(search, UNLIMITED, LAYOUT, BeadRules(one, 1.0, ""), 1.0)
    assert len(left.beads) == beads and bool(search.asked) == is_asked
