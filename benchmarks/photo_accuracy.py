"""How exactly an outline is read from a photo: rendered photos of 12 megapixels, whose outlines are known.

python benchmarks/photo_accuracy.py                    the table of docs/photo.md
python benchmarks/photo_accuracy.py --case "one page"  the cases whose names hold these words
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "tests")]

from support.photo_cases import ACCURACY, lengths, photo_file, shape_errors  # noqa: E402

from stiffen.photo.read_template import read_template  # noqa: E402

HEAD = ("photo", "outline, 95 %, mm", "holes, worst, mm", "diameter, worst, mm", "expected, mm", "pieces", "CPU s")


def row(name: str, folder: Path) -> tuple[str, ...]:
    """One row of the table: errors measured, error expected, processor time of the reading."""
    template, pages, shot, reading, _ = ACCURACY[name]
    path = photo_file(folder / "photo.jpg", template, pages, shot)
    begin = time.process_time()
    shape, _ = read_template([path], lengths(template, *reading))
    spent = time.process_time() - begin
    outline, places, widths = shape_errors(template, shape)
    numbers = f"{outline:.2f}", f"{max(places):.2f}", f"{max(widths):.2f}", f"{shape.error:.2f}"
    return name, *numbers, str(len(shape.pieces)), f"{spent:.0f}"


def main() -> None:
    """Print the table as Markdown."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--case", default="", help="only cases whose names hold this")
    wanted = [name for name in ACCURACY if parser.parse_args().case in name]
    print(f"| {' | '.join(HEAD)} |\n|{'---|' * len(HEAD)}")
    with tempfile.TemporaryDirectory() as folder:
        for name in wanted:
            print(f"| {' | '.join(row(name, Path(folder)))} |", flush=True)


if __name__ == "__main__":
    main()
