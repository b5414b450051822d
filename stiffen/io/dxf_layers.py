"""What the layers of a user's drawing stand for, by our names for them.

A name is read without regard to capitals, and _ stands for a blank:

    CUT                         outline and cut-outs, as on every layer that none of these names is for
    FOLD UP, FOLD DOWN          fold lines, 90 degrees unless given: FOLD UP 45, FOLD DOWN 90 R2 (inside radius, mm)
    KEEP OUT                    closed loops without beads and holes; KEEP OUT BEADS, KEEP OUT HOLES: against these only
    RIVET                       points or circles, one at each: RIVET 4 (diameter, mm; else that of the circles);
                                RIVET 4 HELD, RIVET 4 FREE: in the plane of the sheet; unknown unless given
    BOLT                        the same for bolts
    PASS OVER                   nothing: not looked at

The layers of the marking drawing that are for the bench alone are passed over too.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from stiffen.errors import Fault, InputError

from .schema import legible

SIZE = r"(\d+(?:\.\d+)?)"
FASTENER = rf"(?: {SIZE})?(?: (HELD|FREE))?"
NAMES = {
    "sheet": "CUT",
    "fold": rf"FOLD (UP|DOWN)(?: {SIZE})?(?: R ?{SIZE})?",
    "keep_out": r"KEEP OUT(?: (BEADS|HOLES))?",
    "rivets": rf"RIVETS?{FASTENER}",
    "bolts": rf"BOLTS?{FASTENER}",
    "nothing": "PASS OVER",
}
CHOICE = "CUT, FOLD UP, FOLD DOWN 90 R2, KEEP OUT, RIVET 4, BOLT 5 or PASS OVER, or say under [dxf_layers] what it is"
BENCH = (
    *("ROUGH CUT", "BEAD AXIS", "BEAD FLANK", "BEAD STOP", "FEED", "OTHER FACE", "HOLE PILOT", "HOLE FLANGE"),
    *("DATUM", "NUMBER", "DIMENSION", "NOTE", "DEFPOINTS"),
)


@dataclass(frozen=True)
class Meaning:
    """What a layer holds: sheet, fold, keep_out, rivets, bolts or nothing; `row` has the keys its name gives."""

    kind: str
    row: dict = field(default_factory=dict, hash=False)


def spoken(name: str) -> str:
    """A layer's name as it is compared."""
    return " ".join(name.upper().replace("_", " ").split())


def meaning_of(name: str) -> Meaning | None:
    """What one of our names means, None where it is none of them.

    >>> meaning_of("fold_down_45_r2")
    Meaning(kind='fold', row={'angle': -45.0, 'radius': 2.0})
    """
    for kind, pattern in NAMES.items():
        if found := re.fullmatch(pattern, spoken(name)):
            return Meaning(kind, _row(kind, *found.groups()))
    return Meaning("nothing") if spoken(name) in BENCH else None


def _row(kind: str, *words: str | None) -> dict:
    if kind == "fold":
        side, angle, radius = words
        return {"angle": float(angle or 90) * (1 if side == "UP" else -1), "radius": float(radius or 0)}
    if kind == "keep_out":
        return {"against": [words[0].lower().rstrip("s")]} if words[0] else {}
    if kind in ("rivets", "bolts"):
        size, plane = words
        return {
            "kind": kind,
            **({"diameter": float(size)} if size else {}),
            "in_plane": plane.lower() if plane else "unknown",
        }
    return {}


def layer_meaning(layer: str, own: Mapping[str, str]) -> Meaning:
    """What a layer of a drawing stands for.  InputError for a name that begins like one of ours and ends otherwise.

    own: the user's names, as compared by `spoken`, to ours.
    """
    name = own.get(spoken(layer), layer)
    if meaning := meaning_of(name):
        return meaning
    words = spoken(name)
    if not re.match(r"(FOLD|KEEP OUT|RIVETS?|BOLTS?)( |$)", words):
        return Meaning("sheet")
    undecided = re.fullmatch(rf"FOLD(?: {SIZE})?", words)
    what = "does not say which way the fold goes" if undecided else "has words that are not known"
    raise InputError([Fault("", f"has a layer {legible(layer)} that {what}", f"name it {CHOICE}")])
