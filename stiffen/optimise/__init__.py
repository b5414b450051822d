"""The search for layouts: `candidates` generates beads and holes that can be made, `search` decides which to evaluate.

Imports `surrogate` and below.
"""
