"""What may be kept of a proof for the next panel: what was measured, or a computed value that alone explains it all."""

from __future__ import annotations

from collections.abc import Callable

from stiffen.errors import Fault, InputError
from stiffen.io.files import FilePath
from stiffen.io.learned_file import learn_depths, learn_gauge, learn_in_plane, learn_trials
from stiffen.model.tools import BeadDie, Trial
from stiffen.shop.roller_settings import roller_settings

from .answer import Explanation
from .builds import die_at_depth, dies_used
from .explanations import DEPTH, NOTHING, THICKNESS
from .measurements import mean_and_error
from .proof import Proof

THICKNESS_WORD, DEPTH_WORD, TRIAL_WORD, IN_PLANE_WORD = "thickness", "depth", "trial", "in_plane"
MEASURE_CURE = "measure it and enter the value, or enter more readings until one explanation is left"


def learn(proof: Proof, what: str, path: FilePath) -> tuple[str, ...]:
    """Write one thing that was learned into a tools file (depth, trial) or panel file (thickness, in_plane).

    Returns what was changed, in words.  A measured value is taken as it is; a computed one only if its explanation is
    the only one that fits.  InputError if there is neither, or if the file cannot be changed.
    """
    write: dict[str, Callable[[], tuple[str, ...]]] = {
        THICKNESS_WORD: lambda: learn_gauge(path, proof.layout.gauge, _thickness(proof)),
        DEPTH_WORD: lambda: learn_depths(path, _dies(proof)),
        TRIAL_WORD: lambda: learn_trials(path, _trials(proof)),
        IN_PLANE_WORD: lambda: learn_in_plane(path, _in_plane(proof)),
    }
    return write[what]()


def _only(proof: Proof, what: str, varied: str) -> Explanation:
    """The explanation that alone fits, if it is of this kind."""
    fitting = proof.answer.fitting if proof.answer else ()
    if len(fitting) == 1 and fitting[0].varied == varied:
        return fitting[0]
    if not fitting:
        reason = "was not measured, and no explanation fits"
    elif len(fitting) > 1:
        reason = f"was not measured, and {len(fitting)} explanations fit alike"
    else:
        reason = "was not measured, and what explains the readings is something else"
    raise InputError([Fault(f"--learn {what}", reason, MEASURE_CURE)])


def _thickness(proof: Proof) -> float:
    if proof.measured.thickness:
        return mean_and_error(proof.measured.thickness, 0.0)[0]
    return _only(proof, THICKNESS_WORD, THICKNESS).build.thickness


def _dies(proof: Proof) -> list[BeadDie]:
    measured = {name: mean_and_error(values, 0.0)[0] for name, values in proof.measured.depths.items()}
    depths = measured or dict(_only(proof, DEPTH_WORD, DEPTH).build.depths)
    return [die_at_depth(die, depths[die.name]) for die in dies_used(proof.layout) if die.name in depths]


def _trials(proof: Proof) -> list[Trial]:
    """A trial for each die whose beads were measured: the turns of the card's last pass gave this depth."""
    if not proof.measured.depths:
        what = "needs a depth that was measured: turns of the screw and a computed depth are no trial"
        raise InputError([Fault("--learn trial", what, "measure some beads and give --depth DIE=MM")])
    panel, t = proof.panel, proof.layout.gauge
    out = []
    for die in dies_used(proof.layout):
        if die.name not in proof.measured.depths:
            continue
        turns = roller_settings(panel.tools, die, panel.material, t).passes[-1].turns
        if turns is None:
            what = f"the card gave no turns for the last pass of {die.name}"
            raise InputError([Fault("--learn trial", what, "roll a trial strip (stiffen trial)")])
        depth = mean_and_error(proof.measured.depths[die.name], 0.0)[0]
        out.append(Trial(die.name, panel.material.name, t, (turns,), (round(depth, 2),)))
    return out


def _in_plane(proof: Proof) -> str:
    hold = _only(proof, IN_PLANE_WORD, NOTHING).build.hold
    if not hold.in_plane or hold.clamped:
        what = "the explanation that fits changes nothing in the plane"
        raise InputError([Fault("--learn in_plane", what, "leave the panel file as it is")])
    return hold.in_plane
