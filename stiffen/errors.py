"""The errors stiffen raises.  Every one is a `StiffenError`; children inherit the built-in that fits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing wrong with the user's input: where it stands, what is wrong, what would do."""

    where: str
    what: str
    cure: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text} ({self.cure})" if self.cure else text


class StiffenError(Exception):
    """Root of the errors of this package."""


class InputError(StiffenError, ValueError):
    """The input cannot be used.  `faults` holds all that was found, in file order."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class MeshError(StiffenError, ValueError):
    """The panel could not be meshed within the promised limits."""


class SolverError(StiffenError, ArithmeticError):
    """A solve failed, or its result did not stand up to its own checks."""


class WorkerError(StiffenError, RuntimeError):
    """A process that evaluates layouts, here or on a cluster, has died or cannot be reached any more."""
