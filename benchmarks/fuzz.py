"""Broken copies of the examples by the thousand: each must be read or refused with a message, never crash, never hang.

Bytes are overwritten, deleted, doubled and moved; numbers, words and punctuation are replaced by wrong ones.  A panel
that can still be read is audited, and some are meshed and drawn.  Seed and number reproduce each file.

    python benchmarks/fuzz.py --files 5000 --seed 0 --keep broken
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import random
import re
import signal
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from stiffen.cli.entry import main as stiffen
from stiffen.errors import InputError, MeshError, StiffenError
from stiffen.io.files import json_text
from stiffen.io.panel_file import layout_document, read_panel
from stiffen.mesh.panel_mesh import mesh_panel
from stiffen.model.layout import Bead, Hole, Layout
from stiffen.output.drawing.marking_dxf import write_marking
from stiffen.shop.layout_check import audit

EXAMPLES = Path(__file__).parent.parent / "examples"
SECONDS = 20  # no file may take longer
USED = 5  # one in USED of the panels that can be read is meshed and drawn
TOKEN = re.compile(rb'-?\d+(?:\.\d+)?(?:e-?\d+)?|"[^"\n]*"|\w+|[\[\]{}=,:]')
JUNK = [
    *(b"0 -1 1 2 3 1e9 1e-9 1e308 -1e308 nan inf -inf 0.5 999999999999999999999 1979-05-27 true false null".split()),
    *(b'"" "up" "worst" "free" "B16" "\\u001b[2J" \'x\' """ [] [[]] {} [ ] { } = , # [[ ]] \n \t'.split(b" ")),
    b'"' + b"x" * 300 + b'"',
    "\u00e4\u2028\u202e".encode(),
    b"\x00",
    b"\xff\xfe",
    b"[[0, 0], [400, 0], [0, 300], [400, 300]]",
    b"[" * 200,
    b"9" * 500,
]
VALUES = [None, True, 0, -1, 1.5, 1e9, 1e-9, 10**400, float("nan"), float("inf"), "", "up", "B16", "\ud800", "x" * 300]
VALUES += [[], {}, [0, 0], [[0, 0], [1, 1]], [[0, 0], [400, 0], [400, 300]], [{}], {"a": 1}, "\x1b[2J", 200, [None]]
DXF_JUNK = [
    *JUNK,
    b"LINE",
    b"ARC",
    b"SPLINE",
    b"INSERT",
    b"POLYLINE",
    b"SEQEND",
    b"ENDSEC",
    b"BLOCK",
    b"FOLD UP",
    b"RIVET",
]


@dataclass(frozen=True)
class Outcome:
    """What became of one file: read, refused, no mesh, crashed or hung.  told: the traceback of the last two."""

    what: str
    kind: str
    number: int
    told: str = ""


def originals() -> list[tuple[str, bytes]]:
    """(kind, content) of the good files that are broken here."""
    panels = [("panel", path.read_bytes()) for path in sorted(EXAMPLES.glob("*.toml"))]
    data = resources.files("stiffen").joinpath("data")
    panels.append(("panel", data.joinpath("starter_panel.toml").read_bytes()))
    panel = read_panel(EXAMPLES / "battery_hatch.toml")
    beads = tuple(Bead(panel.tools.bead_dies[1], ((80.0, y), (400.0, y))) for y in (110.0, 290.0))
    layout = Layout(1.0, beads, (Hole(panel.tools.hole_dies[0], (250.0, 200.0)),))
    document = json_text(layout_document(panel, layout, None)).encode()
    with tempfile.TemporaryDirectory() as folder:
        write_marking(panel, layout, Path(folder) / "marking.dxf")
        marking = (Path(folder) / "marking.dxf").read_bytes()
    drawing = (EXAMPLES / "floor_pan.dxf").read_bytes()
    tools = data.joinpath("starter_tools.toml").read_bytes()
    return [*panels, ("tools", tools), ("tools", tools), ("layout", document), ("layout", document)] + [
        ("drawing", drawing),
        ("drawing", drawing),
        ("drawing", marking),
    ]


def broken(content: bytes, chance: random.Random, junk: list[bytes]) -> bytes:
    """The content with one to four things wrong."""
    if content.startswith(b"{") and chance.random() < 0.7:
        return _tree(content, chance)
    for _ in range(chance.choice((1, 1, 2, 4))):
        content = _values(content, chance, junk) if chance.random() < 0.6 else _bytes(content, chance)
    return content


def _values(content: bytes, chance: random.Random, junk: list[bytes]) -> bytes:
    """A number, word or punctuation mark replaced by another."""
    tokens = list(TOKEN.finditer(content))
    if not tokens:
        return content
    token = chance.choice(tokens)
    other = chance.choice(tokens)[0] if chance.random() < 0.3 else chance.choice(junk)
    return content[: token.start()] + other + content[token.end() :]


def _tree(content: bytes, chance: random.Random) -> bytes:
    """JSON with one or two branches replaced or deleted."""
    data = json.loads(content)
    for _ in range(chance.randint(1, 2)):
        at, places = data, list(data)
        while True:
            key = chance.choice(places)
            child = at[key]
            deeper = (
                list(child) if isinstance(child, dict) else list(range(len(child))) if isinstance(child, list) else []
            )
            if not deeper or chance.random() < 0.15:
                break
            at, places = child, deeper
        if chance.random() < 0.2:
            del at[key]
        else:
            at[key] = chance.choice(VALUES)
        if not data:
            break
    return json.dumps(data).encode()


def _bytes(content: bytes, chance: random.Random) -> bytes:
    """Bytes deleted, doubled, overwritten, inserted or moved, or the end cut off."""
    a = chance.randrange(len(content) + 1)
    b = min(len(content), a + int(chance.expovariate(1 / 20)) + 1)
    way = chance.randrange(6)
    if way == 0:
        return content[:a] + content[b:]
    if way == 1:
        return content[:b] + content[a:]
    if way == 2:
        return content[:a] + bytes(chance.randrange(256) for _ in range(b - a)) + content[b:]
    if way == 3:
        return content[:a] + bytes(chance.randrange(32, 127) for _ in range(b - a)) + content[a:]
    if way == 4 and chance.random() < 0.3:
        return content[:a]
    c = chance.randrange(len(content) + 1)
    return content[:c] + content[a:b] + content[c:]


class TookTooLongError(BaseException):
    """A file took longer than SECONDS.  A BaseException, so that no `except Exception` swallows it."""


def _stop(*_: object) -> None:
    raise TookTooLongError


def try_file(number: int, seed: int, goods: list[tuple[str, bytes]], folder: Path) -> tuple[Outcome, bytes]:
    """Make the file of that number and use it; the outcome, and the content of the file."""
    chance = random.Random(f"{seed} {number}")
    kind, good = goods[number % len(goods)]
    content = broken(good, chance, DXF_JUNK if kind == "drawing" else JUNK)
    path = folder / {"layout": "l.json", "drawing": "d.dxf"}.get(kind, f"{kind}.toml")
    path.write_bytes(content)
    before = signal.signal(signal.SIGALRM, _stop)
    signal.alarm(SECONDS)
    try:
        return Outcome(_use(kind, path, chance.random() < 1 / USED), kind, number), content
    except TookTooLongError:
        return Outcome("hung", kind, number, traceback.format_exc()), content
    except Exception:  # noqa: BLE001 - this is what we look for
        return Outcome("crashed", kind, number, traceback.format_exc()), content
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def _use(kind: str, path: Path, further: bool) -> str:
    """Read a file, as the commands do; audit a panel, and if `further` mesh and draw it."""
    if kind in ("tools", "layout"):
        said = io.StringIO()
        argv = ["stock", "--tools", str(path)] if kind == "tools" else ["tally", str(path)]
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            status = stiffen(argv)
        if status not in (0, 1, 2):
            raise RuntimeError(said.getvalue())
        return "refused" if status == 2 else "read"
    if kind == "drawing":
        head = '[panel]\nname = "pan"\nmaterial = "5754-H111"\ngauges = [1.0]\noutline_dxf = "d.dxf"\n'
        path = path.with_name("drawn.toml")
        path.write_text(
            head + '[dxf_layers]\nFOLD = "PASS OVER"\n' * (b"BEAD AXIS" in path.with_name("d.dxf").read_bytes())
        )
    try:
        panel = read_panel(path)
        layout = panel.layout()
        audit(panel, layout)
        json.loads(json_text(layout_document(panel, layout, None)))
        if further:
            mesh_panel(panel, layout, mesh_level="quick")
            write_marking(panel, layout, path.with_name("marking.dxf"))
    except InputError as error:
        if not error.faults or not all(fault.what for fault in error.faults):
            raise
        return "refused"
    except MeshError:
        return "no mesh"
    except StiffenError as error:
        raise RuntimeError from error
    return "read"


def outcomes(count: int, seed: int, keep: Path | None = None, first: int = 0) -> Iterator[Outcome]:
    """What becomes of `count` files; those that crash or hang are kept, if there is a folder for them."""
    goods = originals()
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "floor_pan.dxf").write_bytes((EXAMPLES / "floor_pan.dxf").read_bytes())
        for number in range(first, first + count):
            outcome, content = try_file(number, seed, goods, Path(folder))
            if keep and outcome.told:
                keep.mkdir(parents=True, exist_ok=True)
                (keep / f"{outcome.kind}_{seed}_{number}").write_bytes(content)
            yield outcome


def main() -> int:
    """Print what became of the files, by kind; 1 if any crashed or hung."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--files", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--first", type=int, default=0, help="number of the first file (default 0)")
    parser.add_argument("--keep", type=Path, help="folder for the files that crash or hang")
    args = parser.parse_args()
    begun = time.perf_counter()
    tally: dict[str, Counter[str]] = {}
    bad = []
    for outcome in outcomes(args.files, args.seed, args.keep, args.first):
        tally.setdefault(outcome.kind, Counter())[outcome.what] += 1
        if outcome.told:
            bad.append(outcome)
            print(f"{outcome.kind} {outcome.number}: {outcome.what}\n{outcome.told}")
    columns = ("read", "refused", "no mesh", "crashed", "hung")
    print(f"{'kind':10}" + "".join(f"{name:>10}" for name in columns))
    for kind, count in sorted(tally.items()):
        print(f"{kind:10}" + "".join(f"{count[name]:10}" for name in columns))
    print(f"{args.files} files, seed {args.seed}, {time.perf_counter() - begun:.0f} s")
    return 1 if bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
