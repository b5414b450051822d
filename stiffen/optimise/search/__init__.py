"""The search for the best layout of a panel, and sweeps of searches.

`driver` goes through the gauges; `stages` searches one of them, by regular layouts and moves that the surrogate
evaluates; then `finish` strikes out what is not needed and places holes.  `state` is what these share: `evaluator`,
`incumbent`, the `runner` that evaluates on workers, and the time limit, in a `budget`.  `settings` holds the counted
effort and the tuning.  `sweep` varies one value over several searches.  Imports `candidates` and below.
"""
