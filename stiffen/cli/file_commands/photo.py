"""`stiffen photo`: a photo of a template becomes a panel file; prints the board pages that it needs."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from stiffen.errors import Fault, InputError

from ..inputs import count, positive_number
from ..terminal import MET, print_lines, progress_bar

HELP = "read a panel's outline from a photo of a template"
DESCRIPTION = """\
Cut a template of card or hard paper to fit, print the board pages (--board), lay them round the template, and take a
photo. The photo becomes a panel file with the outline as lines and arcs, punched holes as rivets or bolts, red lines as
folds, blue loops as keep-outs; beside it a drawing of the outline and a picture of what was seen. Several photos of the
same table are taken together. Measure four lengths by hand: two on a printed page, the template's longest, its
thickness. Needs OpenCV: pip install 'stiffen[photo]'. A file that exists is not overwritten."""
EXAMPLES = (
    "stiffen photo --board --out board.pdf",
    "stiffen photo hatch.jpg --across 160.4 --along 239.5 --longest 624 --thickness 0.9 --out hatch.toml",
)
LENGTHS = {
    "across": "the length marked --across on a printed page, mm (160 at 100 %%)",
    "along": "the length marked --along, mm (240 at 100 %%)",
    "longest": "the greatest distance between two points of the template's edge, mm: from corner to corner",
    "thickness": "thickness of the template, mm",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of this command alone."""
    parser.add_argument(
        "photos", metavar="IMAGE", nargs="*", help="the photo, JPEG or PNG, as the camera gives it; or more"
    )
    parser.add_argument("--out", metavar="FILE", required=True, help="panel file to write; with --board: the PDF")
    parser.add_argument("--board", action="store_true", help="write the board pages to print")
    parser.add_argument("--pages", metavar="N", type=count, default=4, help="with --board: number of pages (default 4)")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="with --board: the paper (default a4)")
    for name, text in LENGTHS.items():
        parser.add_argument(f"--{name}", metavar="MM", type=positive_number("mm"), help=text)
    parser.add_argument("--name", metavar="TEXT", help="name of the panel (default: the file's name)")
    parser.add_argument("--quiet", action="store_true", help="no progress on the screen")


def run(args: argparse.Namespace) -> int:
    """Write the board pages, or the panel file with drawing and picture."""
    if args.board:
        return _write_board(args)
    if not args.photos:
        raise InputError(
            [Fault("", "no photo is named", "stiffen photo --board --out board.pdf prints what a photo needs")]
        )
    missing = [name for name in LENGTHS if getattr(args, name) is None]
    if missing:
        raise InputError(
            [Fault(f"--{name}", "is missing", f"measure {LENGTHS[name].replace('%%', '%')}") for name in missing]
        )
    path = Path(args.out)
    picture, drawing = path.with_suffix(".png"), path.with_suffix(".dxf")
    if path.suffix.lower() != ".toml":
        raise InputError([Fault(str(path), "is no name for a panel file", "end it in .toml")])
    if not path.parent.is_dir():
        raise InputError([Fault(str(path.parent), "there is no such folder", "make the folder first")])
    for one in (path, picture, drawing):
        if os.path.lexists(one):
            raise InputError([Fault(str(one), "is there already", "give another name, or move it away")])
    from stiffen.photo.panel_text import write_panel_files
    from stiffen.photo.picture import write_picture
    from stiffen.photo.read_template import read_template
    from stiffen.photo.shape import Measured

    measured = Measured(args.across, args.along, args.longest, args.thickness)
    with progress_bar(args.quiet) as progress:
        shape, photos = read_template(args.photos, measured, progress)
    write_picture(shape, photos[0], picture)
    write_panel_files(shape, path, args.name or path.stem, args.photos)
    arcs = sum(1 for piece in shape.pieces if piece.bulge)
    holes, folds, keep_outs = len(shape.holes), len(shape.folds), len(shape.keep_outs)
    print_lines(
        f"outline of {len(shape.pieces) - arcs} lines and {arcs} arcs, {holes} round holes, "
        f"{len(shape.cutouts)} other openings, {folds} folds, {keep_outs} keep-outs",
        f"expected error: 95 % of the outline within {shape.error:.2f} mm; from "
        + ", ".join(f"{name} {value:.2f}" for name, value in shape.error_parts.items()),
        f"longest length by the board pages {shape.longest_in_photo:.1f} mm, measured {args.longest:g} mm",
        *shape.remarks,
        f"wrote {path}, {drawing.name} and {picture.name}: look at the picture; fill in sheet, supports, loads and "
        f"demands; then: stiffen check {path}",
    )
    return MET


def _write_board(args: argparse.Namespace) -> int:
    from stiffen.photo.board_pages import write_board_pages
    from stiffen.photo.scene.corners import require_opencv

    if args.photos:
        raise InputError(
            [Fault(args.photos[0], "has no meaning with --board", "print the pages first, then read the photo")]
        )
    path = Path(args.out)
    if path.suffix.lower() != ".pdf":
        raise InputError([Fault(str(path), "is no name for the board pages", "end it in .pdf")])
    require_opencv()
    write_board_pages(path, args.pages, args.paper)
    print_lines(
        f"wrote {path}: {args.pages} pages",
        "Print them at 100 %, lay them flat round the template, 15 mm from it or more,",
        "measure the lengths marked --across and --along on one of them, and take the photo from above or at a slant",
    )
    return MET
