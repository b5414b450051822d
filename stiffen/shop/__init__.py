"""Bench knowledge: sections of beads and flared holes, bends, rivets, spacing rules, rollability, roller settings,
the order of work and its minutes.

Imports `model` and below.
"""
