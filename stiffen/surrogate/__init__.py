"""The linear surrogate that ranks layouts for the search: a plate whose beads are line stiffeners.

May import `analysis` and below.
"""
