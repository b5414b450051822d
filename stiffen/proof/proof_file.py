"""The file proof.json beside layout.json: the plan of the push test, what was measured, the answer.

It names the layout that it belongs to by a hash, so that values measured on one panel are never compared with another.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import astuple, replace
from pathlib import Path
from typing import Any

from stiffen.io.files import file_error, read_json
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .answer import Answer, Comparison
from .builds import Build
from .explanations import Explanation
from .measurements import Measured, measured_document, measured_from_dict
from .mode_pairing import Pairing
from .proof import Proof
from .push_plan import PushPlan
from .responses import MODE_COUNTS, Push
from .spectrum import Peak

PROOF_FILE_NAME = "proof.json"
FORMAT_NAME, FORMAT_VERSION = "stiffen proof", 1
BROKEN_CURE = "move it away, then run stiffen proof again; what was measured must be entered again"


def fingerprint(panel: Panel, layout: Layout) -> str:
    """A hash of a panel and its layout, without their results."""
    data = {"panel": panel.source, "layout": layout.to_dict()}
    return hashlib.sha256(json.dumps(data, sort_keys=True, default=str).encode()).hexdigest()[:20]


def read_proof(path: Path, panel: Panel, layout: Layout) -> tuple[PushPlan, Measured, dict] | None:
    """Plan, measured values and plain data of a proof file; None without one, or if it is of another layout unmeasured.

    InputError if the file cannot be read, and if it holds values that were measured on another layout.
    """
    if not path.exists():
        return None
    data = read_json(path)
    try:
        if (data["format"], data["version"]) != (FORMAT_NAME, FORMAT_VERSION):
            raise ValueError
        measured = measured_from_dict({key: one for key, one in data["measured"].items() if key != "tap"})
        taps = {part: tuple(Peak(*map(float, one)) for one in peaks) for part, peaks in data["measured"]["tap"].items()}
        if not set(taps) <= set(MODE_COUNTS):
            raise ValueError
        measured = replace(measured, taps=taps)
        plan = _plan(data["plan"])
        belongs = data["layout"] == fingerprint(panel, layout)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise file_error(path, "is not a proof that this version wrote", BROKEN_CURE) from None
    if belongs:
        return plan, measured, data
    if measured.any:
        what = "holds values measured on another layout: layout.json has changed since"
        raise file_error(path, what, "--new starts again and keeps the old file as proof_old.json")
    return None


def _plan(data: dict) -> PushPlan:
    pushes = tuple(
        Push(str(one["place"]), (float(one["at"][0]), float(one["at"][1])), float(one["kg"]), float(data["block_mm"]))
        for one in data["pushes"]
    )
    return PushPlan(pushes, float(data["block_mm"]), str(data["limited_by"]), str(data["why_none"]))


def proof_document(proof: Proof) -> dict:
    """The proof as plain data.  Lengths in mm, masses in kg."""
    expected = proof.expected
    return {
        "format": FORMAT_NAME,
        "version": FORMAT_VERSION,
        "layout": fingerprint(proof.panel, proof.layout),
        "plan": {
            "block_mm": proof.plan.side,
            "limited_by": proof.plan.limited_by,
            "why_none": proof.plan.why_none,
            "pushes": [{"place": one.place, "at": one.at, "kg": one.kg} for one in proof.plan.pushes],
        },
        "expected": [
            {"name": one.name, "unit": one.unit, "value": expected.value[k], "low": expected.low[k],
             "high": expected.high[k]}
            for k, one in enumerate(proof.observables)
        ],
        "open": [{"what": part.name, "within": part.words, "least_factor": part.low, "greatest_factor": part.high}
                 for part in expected.parts],
        "measured": {
            **measured_document(proof.measured),
            "tap": {part: [astuple(one) for one in peaks] for part, peaks in proof.measured.taps.items()},
        },
        "pairing": {part: _pairing(one, part) for part, one in proof.pairings.items()},
        "answer": None if proof.answer is None else _answer(proof.answer),
    }  # fmt: skip


def _pairing(one: Pairing, part: str) -> dict:
    return {"pairs": [{"mode": mode + 1, "hertz": peak.hertz, "damping": peak.damping} for mode, peak in one.pairs],
            "shift": one.shift, "rival_shift": one.rival_shift, "enough": one.enough, "part": part}  # fmt: skip


def _answer(answer: Answer) -> dict:
    demands = {id(one.explanation): one.demands for one in answer.consequences}
    return {
        "state": answer.state,
        "comparisons": [_comparison(one) for one in answer.comparisons],
        "explanations": [
            {
                **_explanation(one),
                "demands": [
                    {"label": d.label, "unit": d.unit, "limit": d.limit, "value": d.value, "met": d.met}
                    for d in demands.get(id(one), ())
                ],
            }
            for one in answer.explanations
        ],
    }


def _comparison(one: Comparison) -> dict:
    return {"name": one.name, "unit": one.unit, "measured": one.measured, "error": one.error, "computed": one.value,
            "low": one.low, "high": one.high, "state": one.state}  # fmt: skip


def _explanation(one: Explanation) -> dict:
    return {"varied": one.varied, "value": one.value, "low": one.low, "high": one.high, "fits": one.fits,
            "misfit": one.misfit, "hold": one.build.hold.label, "build": _build(one.build)}  # fmt: skip


def _build(build: Build) -> dict[str, Any]:
    return {"thickness": build.thickness, "depth": dict(build.depths), "in_plane": build.hold.in_plane,
            "clamped": build.hold.clamped}  # fmt: skip
