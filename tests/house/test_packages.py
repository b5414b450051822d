"""The package is built in layers: import-linter keeps the order; here are the sizes and who owns which library."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest
from support.modules import module_names

PACKAGE = Path(__file__).parents[2] / "stiffen"
MOST_FILES = 15  # modules in one package, `__init__` aside
FILES = sorted(PACKAGE.rglob("*.py"))
PACKAGES = sorted({path.parent for path in FILES})
ENTRY_POINTS = {"__init__", "__main__", "errors", "validate"}
OWNERS = {
    "sfepy": {"analysis/sfepy_shell"},
    "matplotlib": {
        "output/plots",
        "output/drawing/pdf",
        "output/assembly/assembled_picture",
        "output/assembly/sheet_plan_picture",
    },
    "PIL": {"output/plots/mode_animation", "photo/scene/corners"},
    "ezdxf": {"io/dxf_reader", "output/drawing", "photo/panel_text"},
    "cv2": {"photo"},
    "jinja2": {"output/report/html_report"},
    "tqdm": {"cli"},
    "threadpoolctl": {"fem/blas_threads"},
    "reportlab": {"output/report"},
    "filelock": {"io/folder_lock"},
    "soundfile": {"proof/sound_file"},
    "tomlkit": {"io/learned_file", "io/mirrored_file", "page/panel_text"},
    "starlette": {"page"},
    "uvicorn": {"page"},
}


def imported(source: str) -> set[str]:
    """Top names of the libraries that a source imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            found.add(node.module.split(".")[0])
    return found


@pytest.mark.parametrize("source", ["import ezdxf.path", "from ezdxf import path", "def f():\n    import ezdxf as e"])
def test_every_spelling_is_seen(source):
    assert imported(source) == {"ezdxf"}


def test_the_walk_sees_every_file():
    named = {"stiffen/" + "/".join(name.split(".")[1:]) for name in module_names()}
    files = {f"stiffen/{path.relative_to(PACKAGE).with_suffix('')}".removesuffix("/__init__") for path in FILES}
    assert files - {"stiffen", "stiffen/__main__", "stiffen/validate"} == named


@pytest.mark.parametrize("folder", PACKAGES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_packages_stay_small(folder):
    files = [path.stem for path in FILES if path.parent == folder and path.stem != "__init__"]
    if folder == PACKAGE:
        assert set(files) | {"__init__"} == ENTRY_POINTS, "only entry points and the errors lie at the top"
    assert len(files) <= MOST_FILES, f"{len(files)} files: {files}"
    assert ast.get_docstring(ast.parse((folder / "__init__.py").read_text(encoding="utf-8"))), "says what it holds"


@pytest.mark.parametrize("library", OWNERS)
def test_library_stays_with_its_owner(library):
    users = {str(path.relative_to(PACKAGE).with_suffix("")) for path in FILES if library in imported(path.read_text())}
    strays = {user for user in users if not any(user == one or user.startswith(f"{one}/") for one in OWNERS[library])}
    assert not strays


def test_importing_the_package_is_light():
    heavy = {"sfepy", "matplotlib", "ezdxf", "reportlab", "shapely", "scipy"}
    code = f"import stiffen, sys; print(sorted({heavy} & set(sys.modules)))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_layers():
    """The layers of pyproject.toml, indirect imports included."""
    linted = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=PACKAGE.parent, capture_output=True, text=True,
    )  # fmt: skip
    assert linted.returncode == 0, linted.stdout
    assert "0 broken" in linted.stdout
