"""The build judged as one thing, for `check` and `search`; told in a line where it cannot be."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from stiffen.errors import InputError, MeshError, SolverError

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from stiffen.assembly.fitted_build import FittedBuild
    from stiffen.joined.evaluation import BuildEvaluation
    from stiffen.model.layout import Layout


def judged_as_one(
    fitted: FittedBuild,
    layouts: Mapping[str, Layout],
    mesh_level: str,
    progress: Callable[[float | None, str], None],
    executor: Executor | None = None,
) -> tuple[BuildEvaluation | None, str]:
    """The evaluation of a build with joints, or None and why there is none; "" for a build without joints."""
    from stiffen.joined.evaluation import evaluate_build

    if not fitted.rivets:
        return None, ""
    try:
        return evaluate_build(fitted, layouts, mesh_level=mesh_level, executor=executor, progress=progress), ""
    except (InputError, MeshError, SolverError) as error:
        return None, f"not judged as one thing: {error}"
