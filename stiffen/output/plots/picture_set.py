"""The set of pictures of an evaluated layout, and their file names."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from functools import partial
from pathlib import Path

from stiffen.fem.blas_threads import start_job
from stiffen.model.explanation import Explanation
from stiffen.model.panel import Panel
from stiffen.model.results import Verdict
from stiffen.shop.process_plan import ProcessPlan

from .field_maps import before_after_picture, deflection_picture, maps_picture, mode_picture, stress_picture
from .layout_picture import layout_picture
from .load_deflection_plot import case_curves, curve_picture
from .mode_animation import animate_mode

FLAT_TITLE, LAYOUT_TITLE, SINGLE_TITLE = "flat sheet", "this layout", "this layout"
REPLACED_PICTURES = (
    "before_after.png",
    "maps.png",
    "deflection.png",
    "stress.png",
    "first_mode.png",
    "load_deflection*.png",
)

Captioned = tuple[str, Path]
Drawing = tuple[str, Path, Callable[[], object]]  # caption, file, what draws it


def write_pictures(
    panel: Panel,
    verdict: Verdict,
    folder: Path,
    *,
    flat: Verdict | None = None,
    plan: ProcessPlan | None = None,
    explanation: Explanation | None = None,
    executor: Executor | None = None,
) -> list[Captioned]:
    """Write layout.png and the result fields of the verdict, beside those of the flat sheet if it is given.

    Files: before_after.png (maps.png for one verdict alone), deflection.png if there is more than one load case,
    stress.png, first_mode.png, and load_deflection.png (numbered if there are several) for the cases that the
    large-deflection computation decides.  Pictures of an earlier layout are removed.

    plan: the process plan of this layout, if there is one already.  explanation: of this layout; shades the beads in
    layout.png by what they add.  executor: of processes of this machine, which draw some of the pictures while this one
    draws the others.  Returns captions and paths of all files but layout.png.  Raises InputError if a file cannot be
    written.
    """
    for pattern in REPLACED_PICTURES:
        for old in folder.glob(pattern):
            old.unlink()
    drawings = _of_fields(panel, verdict, folder, flat)
    started = [start_job(executor, draw) for _, _, draw in drawings[1:]]
    layout_picture(panel, verdict.layout, folder / "layout.png", plan=plan, verdict=verdict, explanation=explanation)
    for draw in [draw for _, _, draw in drawings[:1]] + started:
        draw()
    return [(caption, path) for caption, path, _ in drawings]


def _of_fields(panel: Panel, verdict: Verdict, folder: Path, flat: Verdict | None) -> list[Drawing]:
    """The pictures of the result fields; none without fields."""
    if verdict.fields is None:
        return []
    titled = [(FLAT_TITLE, flat), (LAYOUT_TITLE, verdict)] if flat else [(SINGLE_TITLE, verdict)]
    first = folder / ("before_after.png" if flat else "maps.png")
    both = (
        partial(before_after_picture, panel, flat, verdict, first, flat_title=FLAT_TITLE, found_title=LAYOUT_TITLE)
        if flat
        else partial(maps_picture, panel, titled, first)
    )
    drawings: list[Drawing] = [("Deflection in the worst case, and softness", first, both)]
    for wanted, caption, name, picture in (
        (len(verdict.fields.deflection) > 1, "Deflection in each case", "deflection.png", deflection_picture),
        (bool(verdict.fields.stress), "Stress", "stress.png", stress_picture),
        (bool(verdict.fields.modes), "First mode", "first_mode.png", mode_picture),
    ):
        if wanted:
            drawings.append((caption, folder / name, partial(picture, panel, titled, folder / name)))
    return drawings + _curves(panel, titled, folder)


def _curves(panel: Panel, titled: list[tuple[str, Verdict]], folder: Path) -> list[Drawing]:
    """The load-deflection curves of every case that large deflection decides for one of the verdicts."""
    cases = [case for case in panel.cases if any(case in one.fields.curves for _, one in titled if one.fields)]
    drawings: list[Drawing] = []
    for number, case in enumerate(cases, 1):
        path = folder / ("load_deflection.png" if len(cases) == 1 else f"load_deflection_{number}.png")
        draw = partial(curve_picture, panel, case_curves(titled, case), path, case=case)
        drawings.append((f"Deflection under a growing load, case {case}", path, draw))
    return drawings


def write_animation(panel: Panel, verdict: Verdict, folder: Path) -> None:
    """Write first_mode.gif if the verdict has a vibration mode; remove that of an earlier layout."""
    path = folder / "first_mode.gif"
    path.unlink(missing_ok=True)
    if verdict.fields and verdict.fields.modes:
        animate_mode(panel, verdict, path)
