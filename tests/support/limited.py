"""Commands of stiffen run one after the other, each in a process of its own with little time and memory.

The imports are paid for once: this file, run as a program, imports the package, and then forks for each command that
it is asked for.  POSIX only.
"""

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
SECONDS = 10  # of processor time: other work on the machine must not decide
MEMORY = 2**30  # bytes of address space, more than what is really used


@dataclass(frozen=True)
class Ended:
    """How a command ended: exit status (negative: killed by that signal), what it printed, seconds, bytes."""

    status: int
    out: str
    err: str
    seconds: float
    memory: int


class Runner:
    """Hands commands to the process that runs them."""

    def __enter__(self):
        alone = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
        self._process = subprocess.Popen(
            [sys.executable, __file__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, **alone, "MPLBACKEND": "Agg", "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}"},
        )
        return self

    def __exit__(self, *_):
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait()

    def __call__(self, *argv, cwd=".", file_size=None, user=None) -> Ended:
        """Run `stiffen argv...`; file_size: bytes that a file may have; user: number of the user to be."""
        asked = {"argv": [str(word) for word in argv], "cwd": str(cwd), "file_size": file_size, "user": user}
        print(json.dumps(asked), file=self._process.stdin, flush=True)
        return Ended(**json.loads(self._process.stdout.readline()))


def serve():
    """Run what is asked for on stdin, a line each; tell on stdout how it ended."""
    import encodings.utf_8_sig  # noqa: F401 - another user may not be able to read modules later
    import importlib.readers  # noqa: F401

    import matplotlib.pyplot  # noqa: F401

    from stiffen.io import panel_file
    from support.modules import module_names

    for name in module_names():
        importlib.import_module(name)
    panel_file.starter_tools()
    for line in sys.stdin:
        sys.stdout.write(json.dumps(run(**json.loads(line))) + "\n")
        sys.stdout.flush()


def run(argv, cwd, file_size, user):
    """One command in a fork of this process."""
    import resource
    import tempfile

    from stiffen.cli.entry import main

    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        child = os.fork()
        if child == 0:
            status = 99
            try:
                os.dup2(out.fileno(), 1)
                os.dup2(err.fileno(), 2)
                os.chdir(cwd)
                resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
                resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
                if file_size is not None:
                    resource.setrlimit(resource.RLIMIT_FSIZE, (file_size, file_size))
                if user is not None:
                    os.setgroups([])
                    os.setgid(user)
                    os.setuid(user)
                status = main(argv)
                sys.stdout.flush()
                sys.stderr.flush()
            finally:
                os._exit(status)
        _, code, used = os.wait4(child, 0)
        for file in (out, err):
            file.seek(0)
        told = [file.read().decode(errors="replace") for file in (out, err)]
    return {
        "status": os.waitstatus_to_exitcode(code),
        "out": told[0],
        "err": told[1],
        "seconds": used.ru_utime + used.ru_stime,
        "memory": used.ru_maxrss * 1024,
    }


if __name__ == "__main__":
    serve()
