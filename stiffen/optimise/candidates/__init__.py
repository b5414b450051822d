"""Candidates for a search: beads that can be rolled, regular layouts, patterns of flared holes, mirror images.

Imports `surrogate` and below.
"""
