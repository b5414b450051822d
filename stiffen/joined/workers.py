"""Jobs about one build, on any worker: the build is sent with each job and kept there from one job to the next."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from functools import lru_cache
from typing import TypeVar

from stiffen.fem.blas_threads import start_job

from .condensed import Condensation

Job = TypeVar("Job")
Value = TypeVar("Value")
Sent = Condensation | bytes  # pickled for a worker at once: pickled later, by another thread, it could change meanwhile


def started(
    function: Callable[[Job], Value], jobs: Iterable[Job], executor: Executor | None
) -> list[Callable[[], Value]]:
    """Start jobs; for each a function that waits for its value.  Without an executor they are computed then."""
    return [start_job(executor, function, job) for job in jobs]


def sent_to(executor: Executor | None, condensed: Condensation) -> Sent:
    """A condensation as a job takes it."""
    return condensed if executor is None else pickle.dumps(condensed.bare())


def unpacked(sent: Sent) -> Condensation:
    """The condensation of a job."""
    return _unpacked(sent) if isinstance(sent, bytes) else sent


@lru_cache(maxsize=2)
def _unpacked(packed: bytes) -> Condensation:
    """The build that jobs share on a worker."""
    found: Condensation = pickle.loads(packed)
    return found
