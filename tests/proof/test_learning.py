"""What was learned from one panel makes the next one start nearer to the truth; only what is known is written."""

from dataclasses import replace
from importlib import resources

import numpy as np
import pytest
from support.panels import Demand, Layout, Support, lid, rows

from stiffen.errors import InputError
from stiffen.io.panel_file import read_panel, read_tools
from stiffen.proof.builds import Build, Hold
from stiffen.proof.learning import learn
from stiffen.proof.measurements import Measured, PushReading
from stiffen.proof.proof import Proof, make_proof
from stiffen.proof.push_plan import PushPlan
from stiffen.proof.responses import PUSHED, Push, Responses
from stiffen.shop.roller_settings import roller_settings

STARTER = resources.files("stiffen") / "data/starter_tools.toml"
PUSHES = (Push("A", (120.0, 80.0), 1.0, 40.0),)
PANEL_TEXT = """
# our lid
[panel]
name = "lid"
material = "5754-H111"
gauges = [1.0, 1.2]   # what the rack has
outline = [[0, 0], [240, 0], [240, 160], [0, 160]]

[[support]]
kind = "edge"
along = "outline"
in_plane = "free"     # on a seal
"""


@pytest.fixture
def tools_file(tmp_path):
    path = tmp_path / "tools.toml"
    path.write_text(STARTER.read_text(encoding="utf-8"), encoding="utf-8")
    return path


@pytest.fixture
def panel(tools_file):
    soft = Demand("softness", 1.0, force=10.0)
    edge = (Support("edge", in_plane="free"),)
    return lid(240.0, 160.0, demands=(soft,), supports=edge, tools=read_tools(tools_file))


def layout_of(panel):
    return Layout(1.0, rows(panel.tools.bead_die("B20"), (50.0, 110.0), 30.0, 210.0))


def measured_proof(panel, measured):
    plan = PushPlan(PUSHES, 40.0, "softness 10 N")
    return make_proof(panel, layout_of(panel), plan, measured, mesh_level="coarse", varied_mesh="coarse")


def unread_proof(panel, measured):
    """A proof of values that need no computation."""
    return Proof(panel, layout_of(panel), PushPlan((), 0.0, "", ""), measured, (), None)


def test_the_next_panel_starts_nearer_to_the_truth(panel, tools_file):
    """The truth: this shop's B20 comes out 4.6 mm deep, in sheet of 0.96 mm."""
    truth = Responses(panel, layout_of(panel), PUSHES, "coarse").of(Build(0.96, (("B20", 4.6),)))[0]
    before = Responses(panel, layout_of(panel), PUSHES, "coarse").of(Build(1.0))[0]
    proof = unread_proof(panel, Measured((0.96,), {"B20": (4.6,)}))
    assert learn(proof, "depth", tools_file) == ("B20: depth 6 -> 4.60 mm",)
    learned = read_tools(tools_file)
    assert learned.bead_die("B20").depth == 4.6
    assert "# " in tools_file.read_text(encoding="utf-8"), "comments stay"
    following = replace(panel, tools=learned)
    after = Responses(following, layout_of(following), PUSHES, "coarse").of(Build(0.96))[0]
    assert abs(after / truth - 1) < 0.02 < 0.2 < abs(before / truth - 1)


def test_a_trial_strip_is_learned_from_a_measured_depth_and_sets_the_turns(panel, tools_file):
    proof = unread_proof(panel, Measured((), {"B20": (4.6, 4.8)}))
    die = panel.tools.bead_die("B20")
    turns = roller_settings(panel.tools, die, panel.material, 1.0).passes[-1].turns
    assert "turns gave 4.70 mm" in learn(proof, "trial", tools_file)[0]
    learned = read_tools(tools_file)
    assert (learned.trials[-1].turns, learned.trials[-1].depth) == ((turns,), (4.7,))
    settings = roller_settings(learned, die, panel.material, 1.0)
    assert settings.from_trial
    assert not settings.reaches_depth, "the card asks for a deeper strip: those turns do not reach the die's depth"


def test_thickness_goes_into_the_panel_file(panel, tmp_path):
    path = tmp_path / "lid.toml"
    path.write_text(PANEL_TEXT, encoding="utf-8")
    proof = unread_proof(panel, Measured((0.96, 0.95, 0.97)))
    assert learn(proof, "thickness", path) == ("gauges: 1 -> 0.96 mm",)
    assert read_panel(path).gauges == (0.96, 1.2)
    assert "# what the rack has" in path.read_text(encoding="utf-8")
    with pytest.raises(InputError, match="does not list 1 mm"):
        learn(proof, "thickness", path)


@pytest.mark.slow
def test_edges_that_draw_in_go_into_the_panel_file(panel, tmp_path):
    """Thickness and depth are measured and right; only edges that draw in explain the reading, and that is written."""
    path = tmp_path / "lid.toml"
    path.write_text(PANEL_TEXT.replace('in_plane = "free"', 'in_plane = "held"'), encoding="utf-8")
    held = replace(panel, supports=(Support("edge", in_plane="held"),), demands=(Demand("softness", 9.0, force=99.0),))
    push = (Push("A", (120.0, 80.0), 10.0, 40.0),)
    truth = float(Responses(held, layout_of(held), push, "coarse").of(Build(1.0, hold=Hold("free")))[0])
    values = Measured((1.0, 1.0), {"B20": (6.0, 6.0)}, (PushReading("A", 10.0, (truth,)),))
    plan = PushPlan(push, 400.0, "softness 99 N")
    proof = make_proof(held, layout_of(held), plan, values, mesh_level="coarse", varied_mesh="coarse")
    assert [one.build.hold for one in proof.answer.fitting] == [Hold("free")]
    assert learn(proof, "in_plane", path) == ("support[1].in_plane: held -> free",)
    assert read_panel(path).supports[0].in_plane == "free"
    assert "# on a seal" in path.read_text(encoding="utf-8")
    with pytest.raises(InputError, match="has in_plane = free already"):
        learn(proof, "in_plane", path)
    as_stated = replace(values, pushes=(PushReading("A", 10.0, (truth / 2,)),))  # stops the tilt: nothing in the plane
    other = make_proof(held, layout_of(held), plan, as_stated, mesh_level="coarse", varied_mesh="coarse")
    with pytest.raises(InputError, match="--learn in_plane"):
        learn(other, "in_plane", path)


@pytest.mark.slow
def test_a_computed_value_is_kept_only_if_it_alone_explains(panel, tools_file):
    responses = Responses(panel, layout_of(panel), PUSHES, "coarse")
    reading = (PushReading("A", 1.0, (float(responses.of(Build(1.0, (("B20", 4.2),)))[0]),)),)
    text = tools_file.read_text(encoding="utf-8")
    several = measured_proof(panel, Measured((), {}, reading))
    assert len(several.answer.fitting) > 1
    with pytest.raises(InputError, match="explanations fit alike"):
        learn(several, "depth", tools_file)
    with pytest.raises(InputError, match="needs a depth that was measured"):
        learn(several, "trial", tools_file)
    assert tools_file.read_text(encoding="utf-8") == text
    (depth,) = [one for one in several.answer.fitting if one.varied == "depth"][:1]
    alone = replace(several, answer=replace(several.answer, explanations=(depth,)))
    assert learn(alone, "depth", tools_file)
    assert read_tools(tools_file).bead_die("B20").depth == pytest.approx(dict(depth.build.depths)["B20"], abs=0.01)
    assert np.isfinite(responses.of(Build(1.0))).all() and responses.parts == (PUSHED,)


def test_a_file_that_would_become_faulty_is_not_changed(panel, tmp_path):
    other = tmp_path / "other.toml"
    other.write_text('[roller]\nthroat = 400\nrated_steel = 1.0\n[[bead_die]]\nname = "X"\nprofile = "round"\n'
                     "width = 10\ndepth = 2\n", encoding="utf-8")  # fmt: skip
    before = other.read_text(encoding="utf-8")
    proof = unread_proof(panel, Measured((), {"B20": (4.6,)}))
    with pytest.raises(InputError, match='has no die "B20"'):
        learn(proof, "depth", other)
    with pytest.raises(InputError, match="no such file"):
        learn(proof, "depth", tmp_path / "none.toml")
    assert other.read_text(encoding="utf-8") == before
