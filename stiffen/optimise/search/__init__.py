"""The search for the best layout of a panel, and sweeps of searches.

`driver` goes through the gauges; `gauge_search` searches one of them in stages, by `moves` that the surrogate
evaluates; then follow `strike_out` and `hole_placement`.  `state` is what these share: `evaluator`, `incumbent`, the
`runner` that evaluates on workers, and the time limit, in a `budget`.  `settings` holds the counted effort and the
tuning.  `sweep` varies one value over several searches.  Imports `candidates` and below.
"""
