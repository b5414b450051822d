"""The shell library stands alone."""

import subprocess
import sys


def test_it_loads_nothing_of_the_package_but_the_errors():
    code = (
        "import pkgutil, sys, importlib, stiffen.fem\n"
        "for module in pkgutil.iter_modules(stiffen.fem.__path__, 'stiffen.fem.'):\n"
        "    importlib.import_module(module.name)\n"
        "print(sorted(name for name in sys.modules if name.split('.')[0] == 'stiffen' and '.fem' not in name))\n"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "['stiffen', 'stiffen.errors']"
