"""The quick model that ranks layouts: a plate whose beads are line stiffeners.

Imports `analysis` and below.
"""
