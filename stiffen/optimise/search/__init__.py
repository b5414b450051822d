"""The search: gauge by gauge, beads by surrogate and shell model, holes, removal of what is not needed, sweeps.

Imports `bounds` and below.
"""
