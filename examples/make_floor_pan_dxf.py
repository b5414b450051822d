"""Draw the floor pan of the cargo trike: `python examples/make_floor_pan_dxf.py [FILE]`.

A blank of 560 x 380 mm as a drawing program would leave it: lines and arcs in no order, one end as a polyline with
bulges, a cable notch of 30 mm in the other, two drain holes of 20 mm.  Units: mm.
Question: does the file that the panel names hold just this?
"""

import sys
from pathlib import Path

import ezdxf

LENGTH, WIDTH, CORNER, NOTCH = 560.0, 380.0, 25.0, 15.0  # mm
DRAINS = [(60.0, 60.0), (500.0, 60.0)]  # centres, mm
DRAIN = 20.0  # diameter, mm
QUARTER = 0.41421356237309503  # bulge of a quarter circle, tan(90 / 4 degrees)


def draw(path: Path) -> None:
    """Write the drawing."""
    ezdxf.options.write_fixed_meta_data_for_testing = True  # the same bytes each time
    document = ezdxf.new("R2000")
    document.units = ezdxf.units.MM
    sheet = document.modelspace()
    right, top, low, high = LENGTH - CORNER, WIDTH - CORNER, WIDTH / 2 - NOTCH, WIDTH / 2 + NOTCH
    sheet.add_line((right, WIDTH), (CORNER, WIDTH))
    sheet.add_line((right, 0), (CORNER, 0))
    left_end = [(CORNER, WIDTH, QUARTER), (0, top, 0), (0, CORNER, QUARTER), (CORNER, 0, 0)]
    sheet.add_lwpolyline(left_end, format="xyb")
    sheet.add_arc((right, CORNER), CORNER, 270, 360)
    sheet.add_arc((right, top), CORNER, 0, 90)
    sheet.add_line((LENGTH, CORNER), (LENGTH, low))
    sheet.add_line((LENGTH, top), (LENGTH, high))
    sheet.add_arc((LENGTH, WIDTH / 2), NOTCH, 90, 270)
    for centre in DRAINS:
        sheet.add_circle(centre, DRAIN / 2)
    document.saveas(path)


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("floor_pan.dxf")
    draw(target)
    print(f"{target}: {target.stat().st_size} bytes")
