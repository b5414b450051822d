"""The command line: `main` runs one command and hands back its exit status.

Results go to stdout, progress and faults to stderr.  There are no colours, so NO_COLOR changes nothing.  What needs
numpy is imported inside the commands, so that --help and --version answer at once.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from stiffen.errors import InputError, MeshError, StiffenError

from .exit_status import BAD_INPUT, FAILED, STOPPED
from .parser import build_parser
from .terminal import complain, drop_output, resend_swallowed_ctrl_c, stop_signals_end_like_ctrl_c, subject

TRY_MESH = "another --mesh; beads and holes further from each other and from the edge; fewer points in the outline"
TRY_SOLVER = "see that a [[support]] holds every part of the sheet; another --mesh; another gauge"


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; hands back the exit status.  Never raises, never shows a traceback."""
    try:
        args = build_parser().parse_args(argv)
    except SystemExit as end:  # argparse has said why
        return int(end.code or 0)
    try:
        with stop_signals_end_like_ctrl_c(), resend_swallowed_ctrl_c(), ExitStack() as args.until_done:
            status = args.run(args)
        sys.stdout.flush()
        return status
    except InputError as error:
        for fault in error.faults:
            complain(str(fault))
        return BAD_INPUT
    except StiffenError as error:
        complain(f"{subject(args)}{error}")
        complain(f"  what may help: {TRY_MESH if isinstance(error, MeshError) else TRY_SOLVER}")
        return FAILED
    except MemoryError:
        complain(f"{subject(args)}out of memory")
        complain("  what may help: --mesh quick; close other programs; leave fewer gauges and demands in the file")
        return FAILED
    except KeyboardInterrupt:
        complain("stopped")
        return STOPPED
    except BrokenPipeError:
        drop_output()  # whoever was reading has left
        return STOPPED
    except OSError as error:
        from stiffen.io.files import system_error

        if error.filename is None:  # what is left to print has no place either
            drop_output()
        complain(str(system_error(str(error.filename or "output"), "cannot be used", error)))
        return BAD_INPUT
    except Exception as error:  # noqa: BLE001 - a person at the bench has no use for a traceback
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(place.filename).name}, line {place.lineno}"
        complain(f"{subject(args)}a fault inside stiffen; please report it with this file")
        complain(f"  {type(error).__name__}: {error} ({where})")
        return FAILED
