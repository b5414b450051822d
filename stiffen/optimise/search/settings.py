"""The numbers that steer a search: shares of its time, limits on utilisation, and sizes of its steps.

Utilisation: value over limit of the worst demand, so 1 is just met.  Shares are fractions of a time or of a count.
"""

from __future__ import annotations

from dataclasses import dataclass

from stiffen.analysis.screening import QUICK_MISS_LIMIT


@dataclass(frozen=True)
class SearchSettings:
    """The tuning of a search; the defaults are those that `search` uses.

    A comment names the measurement that a value comes from.  The others are choices with the reason given, not optima.
    """

    # --- Time ---------------------------------------------------------------------------------------------------------

    proof_time_share: float = 0.08
    """Share of all the time kept for proofs.  Small: a proof changes no layout, and those that succeed end early."""

    hole_time_share: float = 0.15
    """Share of the search time kept for flared holes, as they come last and each batch costs a shell evaluation."""

    record_time_factor: float = 2.0
    """Time kept for the final evaluation of the best layout and of the flat sheets beside it, as a multiple of what its
    evaluation in the search took.  Measured: 1.5 to 2.5."""

    spare_time_shares: int = 2
    """Shares of the time left that the first pass over the gauges leaves for later; each gauge has one share."""

    surrogate_time_share: float = 0.25
    """Share of the time left for one selection on the surrogate, after the first pass over the gauges."""

    direct_time_share: float = 0.4
    """Share of the time left for one direct search, after the first pass.  Below half, so that lighter gauges and holes
    keep time."""

    first_pass_direct_time_share: float = 0.2
    """Share of the time left for one direct search in the first pass.  Smaller, as heavier gauges are still to come."""

    stiffest_direct_time_share: float = 0.9
    """Share of the time left for the direct search if the goal is "stiffest", where nothing comes after it."""

    partial_surrogate_divisor: float = 4.0
    """Divisor of the surrogate's time if the goal is "stiffest" and the surrogate does not cover every demand.  The
    direct search, which covers them all, then gets most of the time."""

    asymmetric_setup_factor: float = 3.0
    """Candidates without symmetry are set up for more holes only if this many times the set-up time of the symmetric
    ones is left: there are more of them, and the selection among them needs time too."""

    # --- Limits on utilisation and mass -------------------------------------------------------------------------------

    target_utilisation: float = 0.98
    """Largest utilisation on the calibrated surrogate at which a choice is good enough.  Below 1, to
    leave room for what the calibration does not foresee."""

    quick_miss_limit: float = QUICK_MISS_LIMIT
    """Utilisation on a coarse mesh above which a layout is not evaluated on the finer one."""

    surrogate_reject_limit: float = 1.15
    """Utilisation on the surrogate above which a choice is not evaluated with the shell model.  The largest error of
    the surrogate against the shell, measured on 144 layouts, is 12 %."""

    promising_limit: float = 1.3
    """Utilisation above which a choice, a symmetric layout or a gauge is not improved further: no local moves on the
    surrogate, no direct search in the first pass, no second attempt without symmetry."""

    greedy_improvement: float = 0.999
    """A greedy step counts as an improvement if it multiplies the utilisation by less than this."""

    stiffest_improvement: float = 0.995
    """If the goal is "stiffest", a layout is evaluated in full only if its utilisation on the quick mesh is below this
    multiple of that of the last one evaluated in full.  A smaller gain is not worth the time."""

    worthwhile_mass_ratio: float = 0.99
    """Flared holes are kept only if they bring the mass below this multiple of the mass without them: a smaller saving
    is not worth their minutes at the bench."""

    mass_tolerance: float = 0.01
    """Relative difference in mass within which two layouts count as equally light, so that bench time decides."""

    calibration_tolerance: float = 1e-4
    """Relative change of a calibration factor below which an evaluation with the shell model counts as nothing new."""

    # --- Selection on the surrogate -----------------------------------------------------------------------------------

    max_calibration_rounds: int = 6
    """Selections on the surrogate at one gauge, each calibrated by a shell evaluation of the one before."""

    greedy_starts: int = 3
    """Greedy starts of each selection: one by gain per minute, one by gain alone, one with noise."""

    gain_exponent: float = 7.0
    """Exponent of a demand's utilisation in its weight when candidates are ranked: the worst demand counts most."""

    candidates_per_step: int = 6
    """Candidates that are evaluated on the surrogate at each step, the best by first-order gain."""

    shortlist_factor: int = 4
    """The candidates of a step are picked from this many times as many, so that alike ones can be passed over."""

    max_shortlist_conflicts: int = 2
    """Picked candidates that a further one may conflict with.  One that conflicts with more of them lies where they lie
    and tells nothing new."""

    max_stalled_steps: int = 3
    """Greedy steps in a row without improvement.  Where several places are equally bad, no single bead helps."""

    improved_initial_choices: int = 2
    """Initial choices that local moves improve, the best ones."""

    paired_swap_beads: int = 5
    """Least useful beads of a choice of which two are also swapped out at a time, each pair for one candidate."""

    exhaustive_start_candidates: int = 20
    """Up to so many candidates, a greedy start is made from each of them."""

    exhaustive_restart_candidates: int = 60
    """Up to so many candidates, the same if no other start met the target, and restarts also to save bench time; among
    more, restarts are made only while the target is missed."""

    max_failed_restarts: int = 12
    """Restarts in a row that find nothing better; then the selection ends."""

    restart_keep_probability: float = 0.5
    """Probability that a restart keeps a bead."""

    start_noise: float = 0.35
    """Standard deviation of the logarithm of the noise on gains in the noisy greedy start."""

    restart_noise: float = 0.8
    """The same in restarts.  Larger, as they are to leave the region of the best choice."""

    # --- Direct search with the shell model ---------------------------------------------------------------------------

    max_regular_families: int = 10
    """Families of regular layouts (one die, one direction) that are tried, the best on the surrogate."""

    sparse_family_divisor: int = 3
    """Of each family the layout of most beads is tried, and one with 1 / this of them: it may avoid an obstacle."""

    random_add_probability: float = 0.4
    """Probability that a random move adds a bead; else it takes one out, and perhaps puts another in."""

    random_drop_probability: float = 0.3
    """Probability that a bead taken out is not replaced."""

    random_nudge_probability: float = 0.35
    """Probability that a bead taken out is replaced by one of its neighbours."""

    random_ranked_probability: float = 0.2
    """Probability that a bead put in is drawn from the best by first-order gain; else from all that fit."""

    # --- Flared holes -------------------------------------------------------------------------------------------------

    max_hole_rounds: int = 6
    """Shell evaluations of batches of holes for one layout."""

    removed_hole_share: float = 0.2
    """Share of a batch of holes that goes, those nearest to the soft place, if a softness demand is missed."""

    hole_gain_exponent: int = 4
    """Exponent of a demand's utilisation in its weight when holes are ranked.  Lower than `gain_exponent`: all demands
    are met, and each loses by a hole."""


DEFAULT_SETTINGS = SearchSettings()
