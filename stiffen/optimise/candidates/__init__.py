"""What a search may make of a panel: beads that can be rolled, regular layouts, hole patterns, symmetry.

Imports `surrogate` and below.
"""
