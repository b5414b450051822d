"""Builds written to a folder for tests, and what is known of them from elsewhere."""

from stiffen.assembly.build_file import read_build
from stiffen.assembly.fitted_build import fitted_build

PANEL = '[panel]\nname = "{name}"\nmaterial = "5754-H111"\ngauges = [{t}]\noutline = {outline}\n'


def panel_text(name, outline, t=1.0, more=""):
    """A panel file."""
    return PANEL.format(name=name, t=t, outline=[list(at) for at in outline]) + more


def rectangle(a, b):
    """Corners of a sheet a x b mm."""
    return (0, 0), (a, 0), (a, b), (0, b)


def fitted(folder, panels, build):
    """The fitted build of panel files {name: text} and the rest of its build file; each panel's rows in `build`."""
    for name, text in panels.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    path = folder / "build.toml"
    path.write_text('[build]\nname = "test"\n' + build, encoding="utf-8")
    return fitted_build(read_build(path))
