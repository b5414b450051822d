"""Every module of the package, whatever folder it lies in."""

import pkgutil

import stiffen

LEAST = 120  # modules the package is known to have; fewer found means that the walk has gone blind


def module_names():
    """Dotted names of all modules and packages under `stiffen`, entry points (`__main__`, `validate`) left out."""
    found = [
        one.name
        for one in pkgutil.walk_packages(stiffen.__path__, "stiffen.")
        if one.name.rpartition(".")[2] not in ("__main__", "validate")
    ]
    assert len(found) >= LEAST, f"only {len(found)} modules found"
    return found
