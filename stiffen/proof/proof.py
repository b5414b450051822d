"""The proof of one finished panel: plan of the push test, what to expect, what was measured, the answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .answer import Answer, answer, push_readings
from .builds import DEPTH_RATIOS
from .expectation import Expectation, base_build, expectation
from .explanations import build_of_depth
from .measurements import Measured, require_plausible
from .mode_pairing import Pairing, pair_modes
from .push_plan import PushPlan
from .responses import FITTED, HANGING, PUSHED, Observable, Responses
from .spectrum import Peak

Progress = Callable[[float | None, str], None]
SAME_FREQUENCY = 0.03  # of the frequency, within which a mode that was not heard may be the one that was


@dataclass(frozen=True)
class Proof:
    """The proof of a panel.  expected: of each observable.  answer: None if nothing comparable was measured.

    pairings: of the frequencies heard with the modes, by HANGING or FITTED.
    """

    panel: Panel
    layout: Layout
    plan: PushPlan
    measured: Measured
    observables: tuple[Observable, ...]
    expected: Expectation
    answer: Answer | None = None
    pairings: dict[str, Pairing] = field(default_factory=dict)

    def modes(self, part: str) -> list[tuple[int, float]]:
        """Position among the observables and computed Hz of the modes of HANGING or FITTED, by their numbers."""
        return [(k, float(self.expected.value[k])) for k, one in enumerate(self.observables) if one.part == part]


def highest_mode(panel: Panel, layout: Layout, part: str) -> float:
    """Hz of the highest mode that is paired, of the panel as drawn, HANGING or FITTED."""
    base = base_build(layout, Measured(), panel)
    return float(np.nanmax(Responses(panel, layout, (), "quick", parts=(part,), told=(part,)).of(base)))


def make_proof(
    panel: Panel,
    layout: Layout,
    plan: PushPlan,
    measured: Measured,
    *,
    mesh_level: str = "normal",
    varied_mesh: str = "quick",
    reading_error: float | None = None,
    progress: Progress = lambda fraction, message: None,
) -> Proof:
    """Compute what to expect, and the answer to what was measured.

    The panel as drawn or measured is computed on `mesh_level`; what differs from it is computed on `varied_mesh`, in
    proportion.  reading_error: mm, of each push reading; None for that of the instrument the plan names.  Raises
    InputError for values that are not of this panel, MeshError, SolverError.
    """
    require_plausible(measured, layout, plan.pushes)
    parts = (PUSHED, HANGING, *((FITTED,) if FITTED in measured.taps else ()))
    quick = Responses(panel, layout, plan.pushes, varied_mesh, progress, parts, parts)
    base = base_build(layout, measured, panel)
    scale = np.ones(len(quick.observables))
    first = quick.of(base)
    if mesh_level != varied_mesh:
        scale = replace(quick, mesh_level=mesh_level, _known={}).of(base) / first
    expected = expectation(panel, layout, measured, quick, scale)
    proof = Proof(panel, layout, plan, measured, quick.observables, expected)
    readings, errors = (np.full(len(scale), np.nan) for _ in range(2))
    count = len(plan.pushes)
    readings[:count], errors[:count] = push_readings(plan.pushes, measured, expected.value, reading_error)
    pairings = {}
    for part, peaks in measured.taps.items():
        pairings[part] = pairing = _pair(proof, part, peaks, quick, scale)
        places = [k for k, _ in proof.modes(part)]
        heard = {mode for mode, _ in pairing.pairs}
        for mode, peak in pairing.pairs if pairing.enough else ():
            readings[places[mode]] = peak.hertz
            errors[places[mode]] = max(peak.error, _doubt(proof, part, mode, heard))
    found = None
    if np.isfinite(readings).any():
        found = answer(panel, layout, measured, quick, scale, expected, readings, errors, progress)
    return replace(proof, answer=found, pairings=pairings)


def _pair(proof: Proof, part: str, peaks: tuple[Peak, ...], responses: Responses, scale: np.ndarray) -> Pairing:
    """The pairing of peaks with the modes by their numbers; see `mode_pairing`."""
    places = [k for k, _ in proof.modes(part)]
    base = base_build(proof.layout, proof.measured, proof.panel)
    grid = [proof.expected.value[places]]
    for ratio in reversed(DEPTH_RATIOS[:-1]):
        build = build_of_depth(proof.layout, proof.measured, base, ratio)
        if build != base:
            found = (responses.only((part,)).of(build) * scale)[places]
            grid += [np.sqrt(grid[-1] * found), found]
    return pair_modes(grid, peaks)


def _doubt(proof: Proof, part: str, mode: int, heard: set[int]) -> float:
    """Hz by which a mode lies off one so near in frequency, and not heard, that the two may be mixed up."""
    hertz = [value for _, value in proof.modes(part)]
    gaps = [abs(other - hertz[mode]) for k, other in enumerate(hertz) if k != mode and k not in heard]
    return max((gap for gap in gaps if gap < SAME_FREQUENCY * hertz[mode]), default=0.0)
