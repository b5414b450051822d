"""Shop card, HTML report, comparison, build summary, trial strip, catalogue of built-in materials and tools.

Imports `drawing` and below.
"""
