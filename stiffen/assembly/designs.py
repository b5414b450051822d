"""Parts of a build that are one design: copies of a panel, and its mirror image."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from stiffen.io.files import json_text
from stiffen.io.mirrored_file import mirrored_layout, mirrored_panel
from stiffen.model.layout import Layout
from stiffen.model.panel import Panel

from .fitted_build import FittedBuild

SAME_SIZE = 0.05  # mm by which two panels of one design may differ; values under 1 by that share


@dataclass(frozen=True)
class Design:
    """Panels of a build that share one layout.

    name: of the first, which is the one that is computed.  panel: with its rivets.  members: pairs of a panel's name
    and whether it is the mirror image of the first.  count: how many panels are made, copies included.
    """

    name: str
    panel: Panel
    members: tuple[tuple[str, bool], ...]
    count: int


def designs(fitted: FittedBuild) -> tuple[Design, ...]:
    """The designs of a build, in the order of its panels."""
    found: list[tuple[dict, list[tuple[str, bool]]]] = []
    for part in fitted.build.panels:
        panel = fitted.panels[part.name]
        looks = ((_data(panel), False), (_data(mirrored_panel(panel, panel.name)), True))
        for data, mirrored in looks:
            members = next((members for first, members in found if _agree(first, data)), None)
            if members is not None:
                members.append((part.name, mirrored))
                break
        else:
            found.append((looks[0][0], [(part.name, False)]))
    copies = {part.name: part.copies for part in fitted.build.panels}
    return tuple(
        Design(members[0][0], fitted.panels[members[0][0]], tuple(members), sum(copies[name] for name, _ in members))
        for _, members in found
    )


def layout_of_member(panel: Panel, layout: Layout, mirrored: bool) -> Layout:
    """The layout of a member of a design.  panel, layout: of its first member."""
    return mirrored_layout(panel, layout) if mirrored else layout


def _data(panel: Panel) -> dict:
    """All of a panel's data but its name; rivets of a row in one order."""
    data = json.loads(json_text({**panel.source, "panel": {**panel.source["panel"], "name": ""}}))
    for row in data.get("support", ()):
        if row.get("kind") == "rivets":
            for key in ("at", "path"):
                row[key] = sorted([[round(x, 3), round(y, 3)] for x, y in row.get(key, ())])
    return data


def _agree(a: Any, b: Any) -> bool:
    """True for the same data, numbers within SAME_SIZE."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(_agree(a[key], b[key]) for key in a)
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(map(_agree, a, b))
    if isinstance(a, int | float) and isinstance(b, int | float):
        return abs(a - b) <= SAME_SIZE * min(1.0, abs(a))
    return a == b
