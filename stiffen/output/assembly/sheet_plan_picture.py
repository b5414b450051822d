"""The sheets to buy with the blanks on them, as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from stiffen.output.plots.style import FONT_SIZE, LINE_COLOUR, name_figure, new_figure, save_png
from stiffen.output.report.build_summary import Purchase

BLANK_COLOUR = "#dfe6dc"
WIDTH = 7.5  # inches of a sheet's picture
LEAST_FONT = 7.0  # points; a longer name is left to the list beside the picture


def write_sheet_plan(bought: Sequence[Purchase], path: str | Path) -> bool:
    """Draw each sheet with its blanks, by material and gauge; returns False, and writes nothing, without sheets."""
    from matplotlib.patches import Rectangle

    sheets = [(one, number) for one in bought for number in range(1, one.count + 1)]
    if not sheets:
        return False
    heights = [WIDTH * one.sheet[1] / one.sheet[0] + 0.45 for one, _ in sheets]
    figure = new_figure(sum(heights))
    axes = figure.subplots(len(sheets), 1, squeeze=False, gridspec_kw={"height_ratios": heights})[:, 0]
    keys: list[str] = []
    for axis, (one, number) in zip(axes, sheets, strict=True):
        wide, high = one.sheet
        axis.add_patch(Rectangle((0, 0), wide, high, fill=False, edgecolor=LINE_COLOUR, linewidth=1.2))
        for blank in (placed for placed in one.placed if placed.sheet == number):
            across, along = blank.size
            axis.add_patch(
                Rectangle(
                    (blank.x, blank.y), across, along, facecolor=BLANK_COLOUR, edgecolor=LINE_COLOUR, linewidth=0.8
                )
            )
            _write_name(axis, blank, wide, keys)
        count = f", sheet {number} of {one.count}" if one.count > 1 else ""
        title = (
            f"{one.material} {one.gauge_mm:g} mm, {wide:g} x {high:g} mm{count}, {100 * one.used_fraction:.0f} % used"
        )
        axis.set_title(title, fontsize=FONT_SIZE - 2)
        axis.set(xlim=(-5, wide + 5), ylim=(-5, high + 5), aspect="equal")
        axis.set_axis_off()
    if keys:
        name_figure(figure, _lines(keys), FONT_SIZE - 3)
    save_png(figure, path)
    return True


def _write_name(axis: object, blank: object, wide: float, keys: list[str]) -> None:
    """Write a blank's name into it, along its longer side; a number explained above where it does not fit."""
    across, along = blank.size  # type: ignore[attr-defined]
    name = blank.blank.name  # type: ignore[attr-defined]
    size = f"{across:.0f} x {along:.0f}"
    inch = WIDTH / wide
    long, short = max(across, along) * inch, min(across, along) * inch
    text = f"{name}, {size}"
    font = min(FONT_SIZE - 2, 72 * short / 1.6, 72 * long / (0.62 * len(text)))
    if font < LEAST_FONT:
        entry = f"{name}, {size}"
        if entry not in keys:
            keys.append(entry)
        text = f"{keys.index(entry) + 1}"
        font = max(5.0, min(FONT_SIZE - 2, 72 * short / 1.25))
    axis.text(  # type: ignore[attr-defined]
        blank.x + across / 2, blank.y + along / 2, text,  # type: ignore[attr-defined]
        rotation=90 if along > across else 0, fontsize=font, ha="center", va="center",
    )  # fmt: skip


def _lines(keys: list[str]) -> list[str]:
    return [f"{number}: {key}" for number, key in enumerate(keys, 1)]
