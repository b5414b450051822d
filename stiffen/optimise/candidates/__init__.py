"""Beads and holes that a search may choose from, their conflicts, symmetry and neighbours.

Imports `surrogate` and below.
"""
