"""Picture of the spectrum of a tap, with the computed modes and the frequencies paired with them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from stiffen.proof.mode_pairing import PHONE_HEARS_FROM, Pairing
from stiffen.proof.spectrum import Spectrum

from .style import FONT_SIZE, GRID_COLOUR, LINE_COLOUR, new_figure, save_png

HEARD_COLOUR, COMPUTED_COLOUR, NOISE_COLOUR = "#1f4878", "#b5532a", "#8a8a8a"
LOWEST_LEVEL = -70.0  # dB
NUMBER_LEVELS = (3.5, 10.0)  # dB, where the numbers of the modes stand


def write_spectrum(spectrum: Spectrum, modes: Sequence[float], pairing: Pairing, path: str | Path, title: str) -> None:
    """Write the spectrum as PNG, whole or not at all.

    modes: computed Hz by the modes' numbers.  pairing: of the peaks with them.  Raises InputError if the file cannot be
    written.
    """
    figure = new_figure(4.8)
    axis = figure.add_subplot()
    axis.axvspan(spectrum.hertz[0], PHONE_HEARS_FROM, color="#ececec", zorder=0, label="a phone hears little here")
    axis.plot(spectrum.hertz, spectrum.levels, color=LINE_COLOUR, linewidth=1.0, label="heard after the taps")
    if spectrum.noise.max() > LOWEST_LEVEL:
        axis.plot(spectrum.hertz, spectrum.noise, color=NOISE_COLOUR, linewidth=0.9, label="the room before them")
    order = sorted(range(len(modes)), key=lambda place: modes[place])
    narrow = 0.03 * float(spectrum.hertz[-1] - spectrum.hertz[0])
    last, row = -np.inf, 0
    for place in order:
        hertz = modes[place]
        label = "computed modes" if place == order[0] else None
        axis.axvline(hertz, ymax=0.82, color=COMPUTED_COLOUR, linestyle=(0, (4, 2)), linewidth=1.0, label=label)
        row = 1 - row if hertz - last < narrow else 0
        axis.text(hertz, NUMBER_LEVELS[row], f"{place + 1}", color=COMPUTED_COLOUR, ha="center", fontsize=FONT_SIZE)
        last = hertz
    levels = [float(np.interp(peak.hertz, spectrum.hertz, spectrum.levels)) for _, peak in pairing.pairs]
    axis.plot(
        [peak.hertz for _, peak in pairing.pairs], levels, "o", color=HEARD_COLOUR, markersize=7,
        markerfacecolor="none", markeredgewidth=1.6, label="paired with a mode",
    )  # fmt: skip
    axis.set(xlim=(spectrum.hertz[0], spectrum.hertz[-1]), ylim=(LOWEST_LEVEL, 18.0))
    axis.set_xlabel("frequency, Hz", fontsize=FONT_SIZE)
    axis.set_ylabel("level, dB", fontsize=FONT_SIZE)
    axis.tick_params(labelsize=FONT_SIZE)
    axis.set_yticks([-60, -40, -20, 0])
    axis.grid(color=GRID_COLOUR, linewidth=0.6)
    axis.set_axisbelow(True)
    axis.set_title(title, fontsize=FONT_SIZE, loc="left")
    figure.legend(loc="outside lower center", ncols=2, fontsize=FONT_SIZE, frameon=False)
    save_png(figure, path)
