"""The tap test on the page: how to do it, which frequencies to expect, which were heard."""

from __future__ import annotations

from collections.abc import Iterator

from stiffen.output.report.sections import Section, Table
from stiffen.proof.mode_pairing import MIN_PAIRS, PHONE_HEARS_FROM, Pairing
from stiffen.proof.proof import Proof
from stiffen.proof.responses import FITTED, HANGING

HOW_TO_HANG = (
    "1.\tHang the panel from two threads at two holes near one edge, clear of everything, with all that the panel file "
    "fixes to it. So no support is guessed at.",
    "2.\tLay the phone 20 to 30 cm behind it, start a recording without noise reduction, be quiet for a second.",
    "3.\tTap it with a fingertip or a rubber, near a corner, then near the middle of an edge, then a third of the way "
    "in. Two seconds apart; let it ring out; no other sound.",
    "4.\tSave as WAV. For the fitted panel do the same and add --fitted.",
)


def tap_sections(proof: Proof, folder: str) -> Iterator[Section]:
    """How to tap, and the frequencies expected; then what was heard."""
    rows = _rows(proof, HANGING)
    note = (
        f"A phone hears little below about {PHONE_HEARS_FROM:.0f} Hz (from memory), and a tap on a still line of a "
        "mode does not sound it: some may be missing. In air, free all round."
    )
    table = Table(("mode", "expected, Hz", "range, Hz", "heard, Hz", "off by"), rows, (0, 1, 2, 3, 4))
    command = f"stiffen proof {folder} --sound tap.wav"
    yield Section("TAP, HANGING FREE", (*HOW_TO_HANG, command, table, note, *pairing_lines(proof, HANGING)))
    if FITTED in proof.measured.taps:
        fitted = Table(table.head, _rows(proof, FITTED), (0, 1, 2, 3, 4))
        yield Section("TAP, FITTED", (fitted, *pairing_lines(proof, FITTED)))


def _rows(proof: Proof, part: str) -> tuple[tuple[str, ...], ...]:
    heard = dict(proof.pairings[part].pairs) if part in proof.pairings else {}
    rows = []
    for mode, (k, value) in enumerate(proof.modes(part)):
        peak = heard.get(mode)
        rows.append(
            (
                f"{mode + 1}",
                f"{value:.1f}",
                f"{float(proof.expected.low[k]):.0f} to {float(proof.expected.high[k]):.0f}",
                f"{peak.hertz:.1f}" if peak else "",
                f"{100 * (peak.hertz / value - 1):+.1f} %" if peak else "",
            )
        )
    return tuple(rows)


def pairing_lines(proof: Proof, part: str) -> Iterator[str]:
    """What the pairing says, and how far it can be trusted; nothing if the panel was not tapped so."""
    pairing: Pairing | None = proof.pairings.get(part)
    if pairing is None:
        return
    peaks = proof.measured.taps[part]
    free = [peak for peak in peaks if peak not in [one for _, one in pairing.pairs]]
    if pairing.rival_shift is not None:
        yield (
            f"Tapped {part}, not used: the frequencies pair about as well with modes {100 * pairing.rival_shift:+.0f} "
            f"% off as with {100 * pairing.shift:+.0f} %. Tap at other places, so that more of them sound."
        )
    elif len(pairing.pairs) < MIN_PAIRS:
        yield (
            f"Tapped {part}, not used: {len(pairing.pairs) or 'none'} of the frequencies heard pairs with a mode, and "
            f"{MIN_PAIRS} are needed. Tap at other places; is it this panel?"
        )
    else:
        yield (
            f"Tapped {part}: {len(pairing.pairs)} modes heard, on average {100 * pairing.shift:+.1f} % off the "
            "computed ones."
        )
    if free:
        yield f"Heard too, but of no mode: {', '.join(f'{peak.hertz:.1f}' for peak in free)} Hz."
