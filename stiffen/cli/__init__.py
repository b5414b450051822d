"""The command line: one file per command, options, progress, exit status. The only package that prints.

Imports everything below; nothing imports it but `python -m stiffen` and the installed command.
"""

from .entry import main

__all__ = ["main"]
