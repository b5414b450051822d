"""The command `stiffen`: runs one command and gives its exit status.

Results go to stdout, progress and errors to stderr.  There are no colours, so NO_COLOR changes nothing.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

from stiffen.errors import InputError, MeshError, StiffenError, WorkerError

from .parser import make_parser
from .processes import keep_freed_memory
from .terminal import (
    BAD_INPUT,
    FAILED,
    STOPPED,
    accept_any_console,
    discard_output,
    print_error,
    quiet_libraries,
    resent_ctrl_c,
    signals_as_ctrl_c,
)

MESH_CURE = "another --mesh; beads and holes further from each other and from the edge; fewer points in the outline"
SOLVER_CURE = "see that a [[support]] holds every part of the sheet; another --mesh; another gauge"
WORKER_CURE = "the same search again, with --from DIR/layout.json; --workers 1; close other programs"
MEMORY_CURE = "--mesh quick; close other programs; leave fewer gauges and demands in the file"


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.  Returns its exit status; never raises, never prints a traceback.

    0: all demands met.  1: a demand is not met, or a shop rule is broken.  2: bad input, or a place that cannot be
    written.  3: a mesh or a solver failed, or memory ran out.  130: stopped by Ctrl-C, SIGTERM or SIGHUP before there
    was a result, or because the reader of the output has closed it.
    """
    accept_any_console()
    quiet_libraries()
    keep_freed_memory()
    try:
        args = make_parser().parse_args(argv)
    except SystemExit as end:  # argparse has printed why
        return int(end.code or 0)
    subject = getattr(args, "panel", None) or getattr(args, "layout", None)
    prefix = f"{subject}: " if subject else ""  # the file that the command is about
    try:
        with signals_as_ctrl_c(), resent_ctrl_c(), ExitStack() as args.until_done:
            status = args.run(args)
        sys.stdout.flush()
        return status
    except InputError as error:
        for fault in error.faults:
            print_error(str(fault))
        return BAD_INPUT
    except StiffenError as error:
        print_error(f"{prefix}{error}")
        print_error(f"  what may help: {_cure(error)}")
        return FAILED
    except MemoryError:
        print_error(f"{prefix}out of memory")
        print_error(f"  what may help: {MEMORY_CURE}")
        return FAILED
    except KeyboardInterrupt:
        print_error("stopped")
        return STOPPED
    except BrokenPipeError:  # the reader of the output has closed it
        discard_output()
        return STOPPED
    except OSError as error:
        from stiffen.io.files import system_error

        if error.filename is None:  # stdout itself cannot be written to
            discard_output()
        print_error(str(system_error(str(error.filename or "output"), "cannot be used", error)))
        return BAD_INPUT
    except Exception as error:  # noqa: BLE001 - a traceback is of no use at the bench
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(place.filename).name}, line {place.lineno}"
        print_error(f"{prefix}a fault inside stiffen; please report it with this file")
        print_error(f"  {type(error).__name__}: {error} ({where})")
        return FAILED


def _cure(error: StiffenError) -> str:
    if isinstance(error, WorkerError):
        return WORKER_CURE
    return MESH_CURE if isinstance(error, MeshError) else SOLVER_CURE
