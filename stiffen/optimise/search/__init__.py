"""The search for the best layout of a panel, and sweeps of searches.

`driver` goes through the gauges; `gauge_search` searches one of them: by `local_search` on the surrogate, or with the
shell model on `proposals`; then follow `bead_removal`, `hole_placement` and `proofs`.  `state` is what these share:
`evaluator`, `incumbent`, and the time, in a `budget`.  `settings` holds the tuning.  `sweep` varies one value over
several searches.  Imports `bounds` and below.
"""
