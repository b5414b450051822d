"""The roles of the layers of a user's drawing, by their names.

Capitals do not matter, and _ counts as a blank:

    CUT                         outline and cut-outs; so does every layer that has none of these names
    FOLD UP, FOLD DOWN          fold lines, 90 degrees unless given: FOLD UP 45, FOLD DOWN 90 R2 (inside radius, mm)
    KEEP OUT                    closed loops without beads and holes; KEEP OUT BEADS, KEEP OUT HOLES: against these only
    RIVET                       points or circles, one at each: RIVET 4 (diameter, mm; else that of the circles);
                                RIVET 4 HELD, RIVET 4 FREE: in the plane of the sheet; unknown unless given
    BOLT                        the same for bolts
    PASS OVER                   nothing: the layer is ignored

Layers of stiffen's own marking drawing that hold no cut line are ignored too.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from stiffen.errors import Fault, InputError
from stiffen.model.value_rules import printable

NUMBER_PATTERN = r"(\d+(?:\.\d+)?)"
FASTENER_PATTERN = rf"(?: {NUMBER_PATTERN})?(?: (HELD|FREE))?"
NAME_PATTERNS = {
    "sheet": "CUT",
    "fold": rf"FOLD (UP|DOWN)(?: {NUMBER_PATTERN})?(?: R ?{NUMBER_PATTERN})?",
    "keep_out": r"KEEP OUT(?: (BEADS|HOLES))?",
    "rivets": rf"RIVETS?{FASTENER_PATTERN}",
    "bolts": rf"BOLTS?{FASTENER_PATTERN}",
    "nothing": "PASS OVER",
}
NAME_CHOICES = (
    "CUT, FOLD UP, FOLD DOWN 90 R2, KEEP OUT, RIVET 4, BOLT 5 or PASS OVER, or say under [dxf_layers] what it is"
)
MARKING_LAYERS = (
    *("ROUGH CUT", "BEAD AXIS", "BEAD FLANK", "BEAD STOP", "FEED", "OTHER FACE", "HOLE PILOT", "HOLE FLANGE"),
    *("MOULD LINE", "BEND TANGENT", "DATUM", "CENTRE LINE", "NUMBER", "DIMENSION", "NOTE", "DEFPOINTS"),
)


@dataclass(frozen=True)
class LayerRole:
    """What a layer holds: sheet, fold, keep_out, rivets, bolts or nothing; `row` has the keys that its name gives."""

    kind: str
    row: dict = field(default_factory=dict, hash=False)


def normalised_name(name: str) -> str:
    """A layer's name in capitals, single blanks between words, as names are compared."""
    return " ".join(name.upper().replace("_", " ").split())


def role_of_name(name: str) -> LayerRole | None:
    """The role of a layer name of the list above; None for any other name.

    >>> role_of_name("fold_down_45_r2")
    LayerRole(kind='fold', row={'angle': -45.0, 'radius': 2.0})
    """
    for kind, pattern in NAME_PATTERNS.items():
        if found := re.fullmatch(pattern, normalised_name(name)):
            return LayerRole(kind, _row_of_name(kind, *found.groups()))
    return LayerRole("nothing") if normalised_name(name) in MARKING_LAYERS else None


def _row_of_name(kind: str, *words: str | None) -> dict:
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


def layer_role(layer: str, own_names: Mapping[str, str]) -> LayerRole:
    """The role of a layer of a drawing.  InputError for a name of which only the beginning is known.

    own_names: maps the user's layer names, normalised by `normalised_name`, to names of the list above.
    """
    name = own_names.get(normalised_name(layer), layer)
    if meaning := role_of_name(name):
        return meaning
    words = normalised_name(name)
    if not re.match(r"(FOLD|KEEP OUT|RIVETS?|BOLTS?)( |$)", words):
        return LayerRole("sheet")
    undecided = re.fullmatch(rf"FOLD(?: {NUMBER_PATTERN})?", words)
    what = "does not say which way the fold goes" if undecided else "has unknown words"
    raise InputError([Fault("", f"has a layer {printable(layer)} that {what}", f"name it {NAME_CHOICES}")])
