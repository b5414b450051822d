"""Inputs of a command: files, whose faults are reported with the file's name, and values of options."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stiffen.errors import Fault, InputError, StiffenError

from .terminal import print_error

if TYPE_CHECKING:
    from stiffen.model.layout import Layout
    from stiffen.model.panel import Panel
    from stiffen.model.results import Verdict


@contextmanager
def faults_of_file(path: str) -> Iterator[None]:
    """Put the file's name before the place of each fault of an InputError."""
    try:
        yield
    except InputError as error:
        faults = [
            fault
            if fault.where.startswith(path)
            else replace(fault, where=": ".join(filter(None, (path, fault.where))))
            for fault in error.faults
        ]
        raise InputError(faults) from None


def search_options(args: argparse.Namespace) -> dict[str, Any]:
    """What the command line says of how to search, as keywords of `search` and of what searches by it."""
    return {"effort": args.effort, "seconds": args.seconds, "seed": args.seed, "mesh_level": args.mesh}


@contextmanager
def named_failures(name: str) -> Iterator[None]:
    """Put a panel's name before what it says if it cannot be meshed or computed."""
    try:
        yield
    except InputError:
        raise
    except StiffenError as error:
        raise type(error)(f"{name}: {error}") from error


def panel_of_file(path: str) -> Panel:
    """The panel of a panel file."""
    from stiffen.io.panel_file import read_panel

    with faults_of_file(path):
        return read_panel(path)


def is_build(path: str) -> bool:
    """True for a build file; see `build_file`."""
    if Path(path).suffix.lower() != ".toml":
        return False
    from stiffen.assembly.build_file import is_build_file

    return is_build_file(path)


def layout_of_file(path: str) -> tuple[Panel, Layout]:
    """Panel and layout of a layout file."""
    from stiffen.io.panel_file import read_layout

    with faults_of_file(path):
        return read_layout(path)


def panel_and_start(panel_path: str, start_path: str | None) -> tuple[Panel, Layout | None]:
    """The panel to search, and the layout from which the search continues; None if no file is named."""
    from stiffen.optimise.search.driver import continued_panel

    panel = panel_of_file(panel_path)
    require_demands(panel, panel_path)
    warn_of_units(panel, panel_path)
    if not start_path:
        return panel, None
    _, start = layout_of_file(start_path)
    with faults_of_file(start_path):
        continued_panel(panel, start)
    return panel, start


def require_demands(panel: Panel, path: str) -> None:
    """Raise an InputError for a panel without demands: a search has nothing to look for."""
    if not panel.demands:
        cure = 'say what the panel must do, such as [[demand]] kind = "frequency" limit = 60'
        raise InputError([Fault(f"{path}: demand", "is missing: a search needs at least one", cure)])


def warn_of_units(panel: Panel, path: str) -> None:
    """Print the hints on values that look like another unit, before time is spent on them."""
    from stiffen.model.unit_hints import unit_hints

    for hint in unit_hints(panel):
        print_error(f"{path}: warning: {hint}")


def layout_paths(name: str) -> list[Path]:
    """The layout file of that name; of a folder: its layout.json, else those of the folders in it."""
    path = Path(name)
    if not path.is_dir():
        return [path]
    found = [path / "layout.json"] if (path / "layout.json").exists() else sorted(path.glob("*/layout.json"))
    if not found:
        raise InputError([Fault(name, "holds no layout.json", "name a folder that search wrote, or a layout file")])
    return found


def evaluated_layout(path: Path) -> tuple[Panel, Layout, Verdict | None]:
    """Panel and layout of a layout file, and its stored verdict; None if that belongs to another layout or panel."""
    from stiffen.io.files import read_json
    from stiffen.io.result_json import verdict_from_document

    panel, layout = layout_of_file(str(path))
    with faults_of_file(str(path)):
        return panel, layout, verdict_from_document(panel, layout, read_json(path).get("result"))


# ---------------------------------------------------------------------------------------------------- values of options


def positive_number(unit: str) -> Callable[[str], float]:
    """A type of option value: a finite number greater than 0."""

    def number(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not 0 < value < math.inf:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number of {unit} greater than 0")
        return value

    return number


def seed(text: str) -> int:
    """A whole number, 0 or more."""
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number, 0 or more")
    return int(text)


def count(text: str) -> int:
    """A whole number, 1 or more."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number, 1 or more")
    return int(text)


def sheet_size(text: str) -> tuple[float, float]:
    """Two sides in mm, such as 2000x1000."""
    sides = text.lower().split("x")
    try:
        x, y = (float(side) for side in sides)
    except ValueError:
        x = y = math.nan
    if not (0 < x < math.inf and 0 < y < math.inf):
        raise argparse.ArgumentTypeError(f"{text!r} is not a sheet size in mm, such as 2000x1000")
    return x, y
