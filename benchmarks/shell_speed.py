"""Speed and accuracy of the project's shell element beside other elements and other sparse solvers, in one run.

Flat: a simply supported sheet under pressure, w at its middle against the exact series, by our shell, by sfepy's
shell10x (the second opinion) and by scikit-fem's Morley plate, each on the same triangles.
Beaded: the same sheet with three beads; the time each shell needs to come within 2 % of the reference value, which is
the mean of the two shells' extrapolated values.
Growth: assembly, factors and one solve on meshes up to 20 000 nodes; the exponent fitted.
Solvers: our factors beside SuperLU's and, where they are installed, PARDISO's, on the same matrices.

    python benchmarks/shell_speed.py            # some minutes
    python benchmarks/shell_speed.py --quick    # small meshes, half a minute

sfepy, scikit-fem and pypardiso are optional (pip install '.[bench]'); what is missing is left out.  One BLAS thread
for all.  Seconds are CPU time, the least of a few runs, so that a busy machine does not count.
"""

from __future__ import annotations

import argparse
import os
import platform
import time
from collections.abc import Callable
from importlib import metadata
from importlib.util import find_spec

os.environ.setdefault("MKL_NUM_THREADS", "1")

import numpy as np  # noqa: E402
import scipy.sparse as sp  # noqa: E402
from scipy.sparse.linalg import splu  # noqa: E402

from stiffen.analysis import sfepy_shell  # noqa: E402
from stiffen.analysis.loads import case_forces  # noqa: E402
from stiffen.analysis.supports import Restraints, build_restraints  # noqa: E402
from stiffen.fem.blas_threads import one_thread  # noqa: E402
from stiffen.fem.linear import LinearModel  # noqa: E402
from stiffen.fem.shell import Shell  # noqa: E402
from stiffen.mesh.panel_mesh import Mesh, mesh_panel  # noqa: E402
from stiffen.model.layout import Bead, Layout  # noqa: E402
from stiffen.model.material import Material  # noqa: E402
from stiffen.model.panel import Load, Panel, Support  # noqa: E402
from stiffen.model.tools import BeadDie, Roller, Tools  # noqa: E402
from stiffen.validation import structured_meshes

A, B, T, E, NU = 500.0, 400.0, 1.0, 70e3, 0.33
PRESSURE = 1e-3  # MPa: w is mm per kPa
WITHIN = 0.02
DIE = BeadDie("B16", "round", 16.0, 4.0)
PANEL = Panel(
    "floor pan",
    Material("aluminium", E, NU, 2.68e-6, 110.0, 210.0, 0.15),
    (T,),
    ((0.0, 0.0), (A, 0.0), (A, B), (0.0, B)),
    Tools("shop", Roller(throat=500.0), (DIE,), ()),
    supports=(Support("edge", in_plane="free"),),
    loads=(Load("push", "pressure", PRESSURE),),
)
THREE = Layout(T, tuple(Bead(DIE, ((30.0, y), (470.0, y))) for y in (100.0, 200.0, 300.0)))


def timed(run: Callable[[], float], times: int = 3) -> tuple[float, float]:
    """CPU seconds, the least of a few runs, and the result."""
    least, result = np.inf, np.nan
    for _ in range(times):
        start = time.process_time()
        result = run()
        least = min(least, time.process_time() - start)
    return least, result


def superlu(K: sp.spmatrix) -> Callable[[np.ndarray], np.ndarray]:
    """Solver by SuperLU, with its fastest settings for such matrices."""
    return splu(
        K.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, relax=3, options={"SymmetricMode": True}
    ).solve


# ------------------------------------------------------------------------------------------------ one solve, each way


def ours(nodes: np.ndarray, triangles: np.ndarray, fixed: np.ndarray, forces: np.ndarray, middle: int) -> float:
    """w at a node, mm: our shell, from nodes and triangles to displacements."""
    held = LinearModel(Shell(nodes, triangles, T, E, NU), fixed)
    return float(abs(held.solve(forces)[6 * middle + 2]))


def theirs(nodes: np.ndarray, triangles: np.ndarray, fixed: np.ndarray, forces: np.ndarray, middle: int) -> float:
    """w at a node, mm: sfepy's shell10x on each triangle cut into three quadrilaterals."""
    return float(abs(sfepy_shell.deflections(nodes, triangles, T, E, NU, fixed, forces[:, None])[6 * middle + 2, 0]))


def morley(nodes: np.ndarray, triangles: np.ndarray, middle: int) -> Callable[[], float]:
    """Function that solves scikit-fem's Morley plate for w at a node, mm."""
    import skfem
    from skfem.helpers import dd, ddot, eye, trace

    mesh = skfem.MeshTri(np.ascontiguousarray(nodes[:, :2].T), np.ascontiguousarray(triangles.T))
    D = E * T**3 / (12 * (1 - NU**2))

    @skfem.BilinearForm
    def plate(u, v, w):
        curved = dd(u)
        return D * ddot((1 - NU) * curved + NU * eye(trace(curved), 2), dd(v))

    @skfem.LinearForm
    def pushed(v, w):
        return PRESSURE * v

    def solve() -> float:
        basis = skfem.Basis(mesh, skfem.ElementTriMorley(), intorder=2)
        K, f = plate.assemble(basis), pushed.assemble(basis)
        free = np.setdiff1d(np.arange(basis.N), basis.get_dofs().all("u"))
        w = np.zeros(basis.N)
        w[free] = superlu(K[free][:, free])(f[free])
        return float(w[basis.nodal_dofs[0, middle]])

    return solve


# -------------------------------------------------------------------------------------------------------- flat sheet


def navier() -> float:
    """w at the middle, mm, of the simply supported sheet: the double sine series."""
    D = E * T**3 / (12 * (1 - NU**2))
    odd = np.arange(1, 200, 2)
    m, n = np.meshgrid(odd, odd)
    sign = np.sin(m * np.pi / 2) * np.sin(n * np.pi / 2)
    return float(16 * PRESSURE / (np.pi**6 * D) * (sign / (m * n * ((m / A) ** 2 + (n / B) ** 2) ** 2)).sum())


def flat(cells: tuple[int, ...]) -> None:
    """The flat sheet, element beside element."""
    exact = navier()
    print(f"\nFlat {A:g} x {B:g} x {T:g} mm, edges simply supported, pressure: exact {exact:.4f} mm per kPa")
    names = ["ours", *(["sfepy"] if sfepy_shell.is_installed() else []), *(["Morley"] if find_spec("skfem") else [])]
    print(" | ".join([f"{'nodes':>7}", *(f"{name + ' s':>8} {'error':>8}" for name in names)]))
    for n in cells:
        nodes, triangles = structured_meshes.rectangle(A, B, n * 5 // 4, n, "union")
        rim = np.flatnonzero((nodes[:, 0] % A == 0) | (nodes[:, 1] % B == 0))
        corner, far = structured_meshes.nearest_node(nodes, (0, 0)), structured_meshes.nearest_node(nodes, (A, 0))
        fixed = np.unique(np.concatenate([6 * rim + 2, [6 * corner, 6 * corner + 1, 6 * far + 1]]))
        forces = np.zeros((len(nodes), 6))
        forces[:, :3] = -PRESSURE * structured_meshes.unit_pressure_forces(nodes, triangles)
        problem = nodes, triangles, fixed, forces.ravel(), structured_meshes.nearest_node(nodes, (A / 2, B / 2))
        row = f"{len(nodes):>7}"
        solvers = [lambda p=problem: ours(*p)]
        if "sfepy" in names:
            solvers.append(lambda p=problem: theirs(*p))
        if "Morley" in names:
            solvers.append(morley(nodes, triangles, problem[4]))
        for solve in solvers:
            seconds, w = timed(solve, 2)
            row += f" | {seconds:>8.3f} {w / exact - 1:>+8.2%}"
        print(row, flush=True)


# ------------------------------------------------------------------------------------------------------ beaded sheet


def beaded(size: float) -> tuple[Mesh, Restraints, np.ndarray, int]:
    """The mesh of the sheet with three beads, its supports, its load and the node in its middle."""
    mesh = mesh_panel(PANEL, THREE, size=size)
    forces = case_forces(PANEL, mesh, np.zeros(len(mesh.nodes)), "push")
    middle = int(np.linalg.norm(mesh.plan - (A / 2, B / 2), axis=1).argmin())
    return mesh, build_restraints(PANEL, mesh), forces, middle


def extrapolated(counts: list[int], values: list[float]) -> float:
    """Richardson extrapolation of the two finest values: the error goes as 1/nodes, that is as size squared."""
    (n, m), (v, w) = counts[-2:], values[-2:]
    return (m * w - n * v) / (m - n)


def to_within(counts: list[int], seconds: list[float], values: list[float], goal: float) -> tuple[float, float]:
    """Nodes and seconds at which the error falls to WITHIN, log-linear between meshes; NaN where it never does."""
    errors = np.abs(np.array(values) / goal - 1)
    after = np.flatnonzero(errors <= WITHIN)
    if not len(after):
        return np.nan, np.nan
    k = after[0]
    if k == 0:
        return counts[0], seconds[0]
    share = np.log(errors[k - 1] / WITHIN) / np.log(errors[k - 1] / errors[k])
    return tuple(float(np.exp(np.interp(share, [0, 1], np.log(x[k - 1 : k + 1])))) for x in (counts, seconds))


def compared(sizes: tuple[float, ...], cap: int) -> None:
    """Both shells on the beaded sheet; sfepy's on meshes of up to `cap` nodes."""
    if not sfepy_shell.is_installed():
        print("\nBeaded: left out without sfepy")
        return
    print(f"\nBeaded {A:g} x {B:g} x {T:g} mm, three beads 16 x 4: w at the middle, mm per kPa (assembly to solution)")
    print(f"{'nodes':>7} | {'ours s':>8} {'w':>8} | {'sfepy s':>8} {'w':>8}")
    found: dict[Callable, tuple[list[int], list[float], list[float]]] = {ours: ([], [], []), theirs: ([], [], [])}
    for size in sizes:
        mesh, hold, forces, middle = beaded(size)
        row = f"{len(mesh.nodes):>7}"
        for solver, (counts, seconds, values) in found.items():
            if solver is theirs and len(mesh.nodes) > cap:
                continue
            took, w = timed(lambda s=solver: s(mesh.nodes, mesh.triangles, hold.linear_fixed, forces, middle), 2)  # noqa: B023
            counts.append(len(mesh.nodes))
            seconds.append(took)
            values.append(w)
            row += f" | {took:>8.3f} {w:>8.4f}"
        print(row, flush=True)
    limits = [extrapolated(counts, values) for counts, _, values in found.values()]
    goal = float(np.mean(limits))
    print(f"extrapolated: ours {limits[0]:.3f}, sfepy's {limits[1]:.3f}; their mean {goal:.3f} is taken for the truth")
    reached = [to_within(*series, goal) for series in found.values()]
    for name, (nodes, seconds) in zip(("ours", "sfepy"), reached, strict=True):
        print(f"within {WITHIN:.0%}: {name:>5} {nodes:>7.0f} nodes, {seconds:.3f} s")
    print(f"ratio: {reached[1][1] / reached[0][1]:.0f} times sooner (goal 10)")


def growth(sizes: tuple[float, ...]) -> None:
    """Our shell on finer and finer meshes of the beaded sheet."""
    print("\nGrowth with nodes, beaded sheet, s")
    print(f"{'nodes':>7} {'mesh':>7} | {'assembly':>8} {'factors':>8} {'solve':>7} {'total':>7}")
    nodes, totals = [], []
    for size in sizes:
        start = time.process_time()
        mesh, hold, forces, _ = beaded(size)
        meshing = time.process_time() - start
        best = (np.inf,) * 4
        for _ in range(3):
            held = LinearModel(Shell(mesh.nodes, mesh.triangles, T, E, NU), hold.linear_fixed)
            marks = [time.process_time()]
            for step in (lambda: held.stiffness, lambda: held.solve_free, lambda: held.solve(forces)):  # noqa: B023
                step()
                marks.append(time.process_time())
            best = min(best, (marks[-1] - marks[0], *np.diff(marks)))
        nodes.append(len(mesh.nodes))
        totals.append(best[0])
        print(f"{nodes[-1]:>7} {meshing:>7.2f} | {best[1]:>8.3f} {best[2]:>8.3f} {best[3]:>7.3f} {best[0]:>7.3f}")
    exponent, _ = np.polyfit(np.log(nodes), np.log(totals), 1)
    print(f"exponent {exponent:.2f} (goal at most 1.35)")
    for count, most in ((4000, 0.30), (20_000, 2.5)):
        if nodes[0] <= count <= nodes[-1]:
            at = float(np.exp(np.interp(np.log(count), np.log(nodes), np.log(totals))))
            print(f"at {count} nodes: {at:.2f} s (goal at most {most:g})")


def solvers(sizes: tuple[float, ...]) -> None:
    """Factors of the same matrices by several solvers."""
    pardiso = find_spec("pypardiso") is not None
    print("\nFactors of one matrix, s (order of elimination included)")
    print(
        f"{'nodes':>7} | {'ours':>7} {'again':>7} | {'SuperLU':>7} {'ratio':>6}"
        + (" | PARDISO  ratio" if pardiso else "")
    )
    for size in sizes:
        mesh, hold, _, _ = beaded(size)
        shell = Shell(mesh.nodes, mesh.triangles, T, E, NU)
        held = LinearModel(shell, hold.linear_fixed)
        K = held.stiffness[held.free][:, held.free].tocsr()

        def factors(fresh: bool, shell: Shell = shell, hold: Restraints = hold) -> float:
            kept = shell if not fresh else Shell(shell.nodes, shell.triangles, T, E, NU)
            kept.__dict__.update(pattern=shell.pattern, stiffness=shell.stiffness)
            return 0.0 if LinearModel(kept, hold.linear_fixed).solve_free else 1.0

        first, _ = timed(lambda f=factors: f(True))
        again, _ = timed(lambda f=factors: f(False))
        lu, _ = timed(lambda K=K: 0.0 if superlu(K) else 1.0, 2)
        row = f"{len(mesh.nodes):>7} | {first:>7.3f} {again:>7.3f} | {lu:>7.3f} {lu / first:>6.2f}"
        if pardiso:
            seconds = _pardiso(sp.triu(K, format="csr"))
            row += f" | {seconds:>7.3f} {seconds / first:>6.2f}"
        print(row, flush=True)


def _pardiso(upper: sp.csr_matrix) -> float:
    """CPU seconds of PARDISO's analysis and factors, one thread."""
    from pypardiso import PyPardisoSolver

    def run() -> float:
        solver = PyPardisoSolver(mtype=2)
        solver.factorize(upper)
        solver.free_memory(everything=True)
        return 0.0

    return timed(run)[0]


# ----------------------------------------------------------------------------------------------------------- the run


def machine() -> str:
    """Processor, Python and the libraries that count."""
    name = platform.processor() or platform.machine()
    try:
        with open("/proc/cpuinfo", encoding="utf-8") as file:
            name = next(line.split(":")[1].strip() for line in file if line.startswith("model name"))
    except (OSError, StopIteration):
        pass
    known = [
        m for m in ("numpy", "scipy", "sfepy", "scikit-fem", "pypardiso") if find_spec(m.replace("scikit-fem", "skfem"))
    ]
    versions = ", ".join(f"{m} {metadata.version(m)}" for m in known)
    load = f"; load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return f"{name}, {os.cpu_count()} processors{load}; Python {platform.python_version()}, {versions}"


@one_thread
def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="small meshes only")
    quick = parser.parse_args().quick
    print(machine())
    flat((8, 16, 24) if quick else (8, 16, 32, 64, 100))
    compared((40.0, 20.0, 14.0) if quick else (40.0, 28.0, 20.0, 14.0, 10.0, 7.0, 5.0), 2500 if quick else 9000)
    growth((28.0, 16.0, 12.0) if quick else (28.0, 20.0, 14.0, 11.0, 8.0, 6.0, 4.7))
    solvers((20.0, 14.0) if quick else (20.0, 11.0, 7.0, 4.7))


if __name__ == "__main__":
    main()
