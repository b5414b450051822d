"""`stiffen proof`: the push test of the finished panel, and the answer to what was measured."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING

from stiffen.errors import Fault, InputError

from .inputs import faults_of_file, layout_of_file, positive_number
from .output_files import give_result, output_folder, write_text
from .terminal import MET, NOT_MET, progress_bar

if TYPE_CHECKING:
    from stiffen.model.layout import Layout
    from stiffen.model.panel import Panel
    from stiffen.proof.measurements import Measured
    from stiffen.proof.proof import Proof
    from stiffen.proof.push_plan import PushPlan
    from stiffen.proof.spectrum import Spectrum

HELP = "test the finished panel: pushes and what they should give"
DESCRIPTION = """\
Write the page of the push test of a finished panel into the folder of its layout: what to measure first, where to put
which mass, what to expect. Then compare what was measured with what was computed, and name every difference in
thickness, depth or hold that would explain it. Values are kept in proof.json and added to.
Exit status 1: a reading lies outside what thickness, depth and hold leave open, or an explanation that fits means that
a demand is not met."""
EXAMPLES = (
    "stiffen proof out/hatch",
    "stiffen proof out/hatch --thickness 0.98 --depth B20=5.2 --push A:1=0.31 --push A:1=0.33",
    "stiffen proof out/hatch --readings out/hatch/readings.toml",
)
READINGS_NAME = "readings.toml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument("folder", metavar="DIR", help="the folder that search or draw wrote, with layout.json")
    parser.add_argument(
        "--thickness", metavar="MM", type=positive_number("mm"), action="append", default=[],
        help="thickness of the sheet as measured; again for another place",
    )  # fmt: skip
    parser.add_argument(
        "--depth", metavar="DIE=MM", type=_depth, action="append", default=[],
        help="depth of a bead as measured; again for another one",
    )  # fmt: skip
    parser.add_argument(
        "--push", metavar="PLACE:KG=MM", type=_push, action="append", default=[],
        help="deflection read at a place under a mass; again for another reading",
    )  # fmt: skip
    parser.add_argument("--readings", metavar="F.toml", help="a file of measured values, such as DIR/readings.toml")
    parser.add_argument(
        "--reading-error", metavar="MM", type=positive_number("mm"),
        help="error of a deflection as read (default: 0.03 by dial gauge, 0.5 by ruler from 4 mm up)",
    )  # fmt: skip
    parser.add_argument("--sound", metavar="F.wav", help="a recording of taps on the panel, which hangs free")
    parser.add_argument("--fitted", action="store_true", help="with --sound: the panel was fitted when it was tapped")
    parser.add_argument(
        "--learn", choices=("thickness", "depth", "trial", "in_plane"),
        help="keep one thing for the next panel: depth of the dies or a trial strip in a tools file, thickness or "
        "in_plane in a panel file; a computed value only if it alone explains the readings",
    )  # fmt: skip
    parser.add_argument("--into", metavar="F.toml", help="the tools or panel file that --learn changes")
    parser.add_argument("--new", action="store_true", help="start again; an old proof.json is kept as proof_old.json")


def run(args: argparse.Namespace) -> int:
    """Plan or read the push test, take in what was measured, write page, form and proof.json, print the answer."""
    from stiffen.io.files import write_json
    from stiffen.output.plots.spectrum_plot import write_spectrum
    from stiffen.output.proof.answer_words import as_built, explanation_lines, state_sentence
    from stiffen.output.proof.as_built import update_report
    from stiffen.output.proof.proof_page import proof_text, write_proof_page
    from stiffen.output.proof.tap_section import pairing_lines
    from stiffen.proof.measurements import Measured, readings_form
    from stiffen.proof.proof import make_proof
    from stiffen.proof.proof_file import PROOF_FILE_NAME, proof_document, read_proof
    from stiffen.proof.push_plan import plan_pushes

    if bool(args.learn) != bool(args.into):
        raise InputError([Fault("--learn", "and --into go together", "--learn depth --into my_tools.toml")])
    layout_path = _layout_path(args.folder)
    newer = _measured(args)
    panel, layout = layout_of_file(str(layout_path))
    folder = output_folder(args, args.folder)
    proof_path = folder / PROOF_FILE_NAME
    kept = None if args.new else read_proof(proof_path, panel, layout)
    part, spectrum = _heard(args, panel, layout)
    with faults_of_file(str(layout_path)), progress_bar(args.quiet) as progress:
        plan: PushPlan = kept[0] if kept else plan_pushes(panel, layout, "quick", progress)
    heard = Measured(taps={part: spectrum.peaks} if spectrum else {})
    measured = (kept[1] if kept else Measured()).merged(newer).merged(heard)
    with faults_of_file(args.readings or args.folder), progress_bar(args.quiet) as progress:
        proof = make_proof(
            panel, layout, plan, measured, mesh_level=args.mesh, reading_error=args.reading_error, progress=progress
        )
    _require_unchanged(layout_path, panel, layout)
    if args.new and proof_path.exists():
        proof_path.replace(folder / "proof_old.json")
    data = {**proof_document(proof), "as_built": as_built(proof)}
    write_json(proof_path, data)
    write_proof_page(proof, folder / "proof.pdf", args.folder, paper=args.paper)
    write_text(folder / "proof.txt", proof_text(proof, args.folder))
    if spectrum:
        picture, title = folder / f"tap_{part}.png", f"{panel.name}, tapped {part}"
        write_spectrum(spectrum, [hertz for _, hertz in proof.modes(part)], proof.pairings[part], picture, title)
    form = folder / READINGS_NAME
    if not form.exists():
        write_text(form, readings_form(layout, plan.pushes))
    learned = tuple(f"learned, in {args.into}: {line}" for line in _learned(args, proof))
    report = folder / "report.html"
    if proof.answer and report.exists() and not update_report(report, data):
        learned += (f"{report} has no place for what was measured: stiffen draw writes it again",)
    lines = [line for one in proof.pairings for line in pairing_lines(proof, one)]
    if proof.answer:
        lines += [state_sentence(proof), *(line.replace("\t", " ") for line in explanation_lines(proof))]
    elif plan.why_none:
        lines += [f"no push: {plan.why_none}"]
    give_result(args, data, [*lines, *learned, f"page of the proof: {folder / 'proof.pdf'}; enter values in {form}"])
    return NOT_MET if proof.answer and not proof.answer.as_it_should_be else MET


def _layout_path(name: str) -> Path:
    """layout.json of a folder; InputError if there is none."""
    folder = Path(name)
    cure = "name a folder that stiffen search or draw wrote"
    if folder.is_file():
        raise InputError([Fault(name, "is a file, not a folder", cure)])
    if not folder.is_dir():
        raise InputError([Fault(name, "there is no such folder", cure)])
    if not (folder / "layout.json").exists():
        raise InputError([Fault(name, "holds no layout.json", cure)])
    return folder / "layout.json"


def _measured(args: argparse.Namespace) -> Measured:
    """What the command and its file give."""
    from stiffen.proof.measurements import Measured, PushReading, measured_from_dict, read_measurements

    found = Measured()
    if args.readings:
        with faults_of_file(args.readings):
            found = read_measurements(args.readings)
    depths: dict[str, tuple[float, ...]] = {}
    for die, mm in args.depth:
        depths[die] = (*depths.get(die, ()), mm)
    pushes: dict[tuple[str, float], tuple[float, ...]] = {}
    for place, kg, mm in args.push:
        pushes[place, kg] = (*pushes.get((place, kg), ()), mm)
    given = Measured(
        tuple(args.thickness), depths, tuple(PushReading(place, kg, mm) for (place, kg), mm in pushes.items())
    )
    measured_from_dict({"thickness": list(given.thickness), "depth": {name: list(mm) for name, mm in depths.items()}})
    return found.merged(given)


def _heard(args: argparse.Namespace, panel: Panel, layout: Layout) -> tuple[str, Spectrum | None]:
    """How the panel was held when it was tapped, and the spectrum; None without a recording."""
    from stiffen.proof.proof import highest_mode
    from stiffen.proof.responses import FITTED, HANGING
    from stiffen.proof.sound_file import read_sound
    from stiffen.proof.spectrum import HIGHEST_RATIO, tap_spectrum
    from stiffen.proof.taps import find_taps

    part = FITTED if args.fitted else HANGING
    if not args.sound:
        if args.fitted:
            raise InputError([Fault("--fitted", "has no meaning without --sound", "name the recording")])
        return part, None
    with faults_of_file(args.sound):
        taps = find_taps(read_sound(args.sound))
        spectrum = tap_spectrum(taps, HIGHEST_RATIO * highest_mode(panel, layout, part))
        if not spectrum.peaks:
            cure = "a quieter room, the phone nearer, harder taps"
            raise InputError([Fault("", "no frequency of a panel stands out of the noise", cure)])
    return part, spectrum


def _learned(args: argparse.Namespace, proof: Proof) -> tuple[str, ...]:
    """What was written into the file of --into."""
    from stiffen.proof.learning import learn

    if not args.learn:
        return ()
    with faults_of_file(args.into):
        return learn(proof, args.learn, args.into)


def _require_unchanged(path: Path, panel: Panel, layout: Layout) -> None:
    """Raise InputError if layout.json was written again while the proof was computed."""
    from stiffen.proof.proof_file import fingerprint

    if fingerprint(*layout_of_file(str(path))) != fingerprint(panel, layout):
        raise InputError([Fault(str(path), "was changed while the proof was computed", "run the command again")])


def _push(text: str) -> tuple[str, float, float]:
    """PLACE:KG=MM, such as A:5=2.3."""
    found = re.fullmatch(r"([A-Za-z]):([^=]+)=(.+)", text)
    try:
        if not found:
            raise ValueError
        place, kg, mm = found[1].upper(), float(found[2]), float(found[3])
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not PLACE:KG=MM, such as A:5=2.3") from None
    if not (0 < kg < 200):
        raise argparse.ArgumentTypeError(f"{text!r}: the mass must be more than 0 kg and less than 200")
    if not (0 < mm < 100):
        raise argparse.ArgumentTypeError(
            f"{text!r}: a push downward reads more than 0 mm and less than 100; zero the dial without the mass"
        )
    return place, kg, mm


def _depth(text: str) -> tuple[str, float]:
    """DIE=MM, such as B20=5.2."""
    die, _, mm = text.rpartition("=")
    return die.strip() or _refuse(text), positive_number("mm")(mm)


def _refuse(text: str) -> str:
    raise argparse.ArgumentTypeError(f"{text!r} is not DIE=MM, such as B20=5.2")
