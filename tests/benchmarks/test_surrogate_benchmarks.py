"""The benchmarks of the surrogate run, on a small scale, and what they must show holds there too."""

import laminate_table
import numpy as np
import pytest
import surrogate_and_shell as compared

from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.shop.layout_check import audit
from stiffen.surrogate.laminated_panel import laminated_panel

PANEL = next(panel for panel in compared.PANELS if panel.name == "tray")


@pytest.fixture(scope="module")
def surrogate():
    return laminated_panel(PANEL, compared.GAUGE)


@pytest.mark.slow
def test_random_layouts_and_moves_are_ranked_as_by_the_shell_model(surrogate):
    beads = compared.pool(PANEL, surrogate)
    layouts = compared.random_layouts(PANEL, beads, 12 + compared.CALIBRATING, 1)
    assert all(audit(PANEL, layout) == () for layout in layouts)
    ours, shell = compared.both(PANEL, surrogate, layouts, "quick")
    deflection = next(compared.agreement(PANEL, ours, shell))
    assert deflection.rank >= 0.9 and deflection.within >= compared.SHARE
    for name, values in compared.small_values(PANEL, surrogate, layouts[:6], "quick").items():
        assert np.sqrt(np.mean(compared.SmallErrors.of(name, values).errors ** 2)) <= compared.RMS, name
    moves = compared.moved_layouts(PANEL, beads, layouts[int(ours[:, 0].argmin())], 8, 1)
    assert len(moves) == 8 and all(audit(PANEL, layout) == () for layout in moves)


def test_errors_of_all_places_and_panels_are_one_mean():
    found = [compared.SmallErrors(label, np.array([error])) for label, error in
             (("frequency", 0.1), ("softness at 3, 4", 0.03), ("softness at 5, 6", -0.04))]  # fmt: skip
    kinds = {one.label: one.errors.tolist() for one in compared.by_kind(found)}
    assert kinds == {"frequency": [0.1], "softness": [0.03, -0.04]}


@pytest.mark.slow
def test_heavy_loads_agree_with_the_shell_model():
    """The seventeen layouts of the table, 400 N on the sheet, beads toward the load or away, before any calibration."""
    ratio = np.array([ours / shell for _, ours, shell in laminate_table.deflections(laminate_table.CASES, "normal")])
    worst, after = laminate_table.spread(ratio)
    assert worst <= laminate_table.SPREAD and after <= laminate_table.AFTER_ONE_FACTOR


def test_an_evaluation_is_far_less_work_than_by_the_quick_shell():
    """Counted: seconds hang on the machine, and the benchmark tells them side by side."""
    panel = laminate_table.loaded_sheet("held")
    start = laminate_table.layout_of(laminate_table.B20, laminate_table.EVEN, "down")
    surrogate = laminated_panel(panel, start.gauge)
    quick = mesh_panel(panel, start, mesh_level="quick")
    assert len(quick.nodes) >= 3 * len(surrogate.mesh.nodes)
    (layout,) = laminate_table.moved(start, 1)
    guesses = surrogate.respond(start).guesses
    (assumed,) = surrogate.models
    cold = surrogate.model_of(layout, assumed).equilibrium_path("foot")
    warm = surrogate.model_of(layout, assumed, guesses[assumed]).equilibrium_path("foot")
    assert 2 * warm.iterations <= cold.iterations


@pytest.mark.slow
def test_time_grows_little_faster_than_the_nodes_and_not_with_the_beads():
    _, exponent = laminate_table.growth_with_nodes((200, 800, 1600))
    assert exponent <= 1.3
    seconds = dict(laminate_table.growth_with_beads((2, 12)))
    assert seconds[12] <= 1.5 * seconds[2]
