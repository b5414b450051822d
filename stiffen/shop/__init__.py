"""Bench knowledge: sections of beads and flared holes, bends, `folding` at the brake, rivets, spacing rules,
rollability, roller settings, the order of work and its minutes.

Imports `model` and below.
"""
