"""Proof of the finished panel: what a push and a tap should give, and what explains the values measured.

May import everything up to `analysis`.
"""
