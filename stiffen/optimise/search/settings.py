"""How much a search tries.  Its work is counted, not timed, so that a panel gets the same layout on any machine."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SearchEffort:
    """The counted work of a search.

    batches: of moves in each stage (a number of beads and dies).  stiffest_batches: the same for goal "stiffest", where
    no limit ends the stages.  batch_size: moves in a batch with up to three beads and for the stiffest.
    later_batch_size: the same with more beads, of which each move changes less.  families: how many of the best
    families (die, direction, face) are drawn in each stage of more than three beads.  starts: layouts of a stage that
    are tuned.  respaced: layouts of a stage that are tried at other pitches.  tuning_limit: utilisation above which a
    stage's layouts are not tuned, unless the stiffest is asked for; later_tuning_limit: the same with more than three
    beads.  respacing_limit: the same for other pitches.
    stages_of_dies: most different dies in a layout; one is tried first, then two, and so on.
    without_symmetry: True if a symmetric panel is also searched without symmetry.  hole_trials: evaluations by the
    shell of layouts with holes; further_trials: the same for holes of another size beside these.  shell_rounds: of
    moves that the shell model decides, for the stiffest.  stalled: stages of more than three beads after each other
    that bring nothing, after which a gauge gets no more.  hole_kinds: patterns of holes of different sizes in one
    layout.
    """

    batches: int
    stiffest_batches: int
    batch_size: int = 8
    later_batch_size: int = 5
    families: int = 5
    starts: int = 1
    respaced: int = 2
    tuning_limit: float = 1.25
    later_tuning_limit: float = 1.15
    respacing_limit: float = 1.25
    stages_of_dies: int = 2
    without_symmetry: bool = False
    hole_trials: int = 4
    further_trials: int = 2
    shell_rounds: int = 6
    stalled: int = 1
    hole_kinds: int = 2


EFFORTS = {
    "quick": SearchEffort(
        batches=2, stiffest_batches=8, families=3, respaced=1, stages_of_dies=1, hole_trials=2, shell_rounds=3
    ),
    "normal": SearchEffort(batches=2, stiffest_batches=16, families=3),
    "thorough": SearchEffort(
        batches=16,
        stiffest_batches=32,
        later_batch_size=8,
        families=10,
        starts=2,
        respaced=4,
        later_tuning_limit=1.25,
        respacing_limit=1.35,
        stages_of_dies=3,
        without_symmetry=True,
        hole_trials=8,
        further_trials=8,
        shell_rounds=24,
        stalled=5,
        hole_kinds=3,
    ),
}
NORMAL = EFFORTS["normal"]


@dataclass(frozen=True)
class SearchSettings:
    """Limits that steer a search.  Utilisation: value over limit of the worst demand, so 1 is just met."""

    bead_counts: tuple[int, ...] = (1, 2, 3, 4, 5, 6, 7, 8, 10, 12)
    """Numbers of beads of the stages.  Each stage starts from the best of the one before, so that more beads allowed
    never give a worse layout."""

    more_dies_limit: float = 1.12
    """Utilisation of a stage with one die above which two dies are not tried for the same number of beads."""

    calibration_limit: float = 1.35
    """Utilisation up to which a stage's best layout is worth a shell evaluation that calibrates the surrogate."""

    sure_limit: float = 0.95
    """Utilisation of a stage's best layout up to which it is evaluated in full without waiting for the coarse mesh."""

    quick_miss_limit: float = 1.05
    """Utilisation on a coarse shell mesh above which a layout is not evaluated on the finer one."""

    quick_pass_limit: float = 1.0
    """Utilisation expected from the quick mesh up to which a layout of a stage is evaluated in full."""

    safe_pass_limit: float = 0.985
    """The same limit for a layout from which beads were removed or to which holes were added, before it is evaluated in
    full."""

    nearly_met_limit: float = 1.03
    """Utilisation by the surrogate up to which a layout with less to roll is also tried with holes."""

    holes_raise_limit: float = 1.4
    """Utilisation by the surrogate up to which a layout may be tried with holes, whose flanges stiffen the sheet."""

    needless_share: float = 0.002
    """A bead of the stiffest layout is removed if the utilisation rises by less than this share without it."""

    improvement: float = 0.998
    """A move counts as an improvement if it multiplies the utilisation by less than this."""

    stage_gain: float = 0.98
    """A stage brings something if its best layout multiplies the utilisation by less than this."""

    first_slide: float = 30.0
    """mm by which beads slide in a stage's first batch, on panels up to 650 mm from corner to corner; halved after a
    batch without improvement."""

    last_slide: float = 2.0
    """mm of the finest slide."""

    norm_exponent: float = 12.0
    """Exponent of the power mean of the demands' utilisations: the worst counts most, the others break ties."""

    mass_tolerance: float = 0.01
    """Relative difference of mass below which bench time decides."""

    mass_per_dimension: float = 0.002
    """Share of the mass that each dimension more to measure must save: ten of them 2 %."""

    minutes_per_dimension: float = 1.0
    """Minutes that each dimension more to measure must save in the quickest layout."""

    lightest_time_share: float = 0.1
    """Share of `Panel.grams_per_minute` that a minute must save in the lightest layout."""


DEFAULT_SETTINGS = SearchSettings()
