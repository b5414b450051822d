"""Marking out on the sheet: rows of holes at one pitch, and how many distinct dimensions a person must measure.

May import from `model` only.
"""
