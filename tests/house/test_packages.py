"""The package is built in one direction: each module imports only from modules above it."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "stiffen"
ORDER = """errors threads material tools sketch layout panel verdict
section rolled rib flaring spacing folds rules rivets
fields files locks outline fasteners layers loops drawn toolfile records reading
rolling curl bench
sizing triangulation soundness folding network seeds discs mesh
triangle fronts shell rotation corotational beams contact equilibrium descent path large
loads facing supports tubes stand ribs ribbed opinion doubts judging
candidates courses families symmetry nearby moves cuts program proof bound branching claims
pool looks hunt attempt paring holing searching sweeping
strokes marking scribe dxf titles drawing plots layout_plot curves curve_plot motion pictures nesting
paper flow card card_sheet tally comparing compare_plot sweep_plot report page tiles template strip stock batch cli
grids rigs flat reference reference_plates reference_plate_modes reference_beams reference_shells
reference_corrugation reference_large reference_panels validate""".split()
EXEMPT = {"__init__", "__main__"}
OWNERS = {
    "sfepy": {"opinion"},
    "matplotlib": {"plots", "layout_plot", "curve_plot", "compare_plot", "sweep_plot", "motion", "paper"},
    "PIL": {"motion"},
    "ezdxf": {"drawn", "dxf", "drawing"},
    "jinja2": {"page"},
    "tqdm": {"cli"},
    "threadpoolctl": {"threads"},
}


def imports(source: str) -> set[str]:
    """Names of modules that a source imports: 'stiffen.x' for our own, the top name for others."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                parts = alias.name.split(".")
                found.add("stiffen." + parts[1] if parts[0] == "stiffen" and len(parts) > 1 else parts[0])
        elif isinstance(node, ast.ImportFrom):
            ours = node.level > 0 or (node.module or "").split(".")[0] == "stiffen"
            path = [p for p in (node.module or "").split(".") if p and p != "stiffen"] if ours else []
            if not ours:
                found.add(node.module.split(".")[0])
            elif path:
                found.add("stiffen." + path[0])
            else:
                found |= {"stiffen." + alias.name for alias in node.names}
    return found


@pytest.mark.parametrize(
    "source",
    ["from . import mesh", "from .mesh import Mesh", "import stiffen.mesh.panel_mesh", "from stiffen import mesh",
     "from stiffen.mesh import Mesh", "def f():\n    from .mesh import Mesh"],
)  # fmt: skip
def test_every_spelling_is_seen(source):
    assert imports(source) == {"stiffen.mesh.panel_mesh"}


def test_list_and_folder_agree():
    assert {path.stem for path in PACKAGE.glob("*.py")} - EXEMPT == set(ORDER), "give a new module its place in ORDER"


def test_developers_page_shows_the_same_order():
    page = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = page[page.index("| modules, in the order") : page.index("## Units")]
    shown = [name for name in re.findall(r"`(\w+)`", table) if name in ORDER]
    assert shown == [name for name in ORDER if not name.startswith("reference_")]


@pytest.mark.parametrize("name", ORDER)
def test_imports_go_up_only(name):
    own = {one.removeprefix("stiffen.") for one in imports((PACKAGE / f"{name}.py").read_text()) if "stiffen." in one}
    below = own - set(ORDER[: ORDER.index(name)])
    assert not below, f"{name} imports {sorted(below)}, which stand below it"


@pytest.mark.parametrize("library", OWNERS)
def test_library_stays_with_its_owner(library):
    users = {path.stem for path in PACKAGE.glob("*.py") if library in imports(path.read_text())}
    assert users <= OWNERS[library]


def test_importing_the_package_is_light():
    code = "import stiffen, sys; print(sorted({'sfepy', 'matplotlib', 'ezdxf'} & set(sys.modules)))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
