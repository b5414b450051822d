"""Frozen records of materials, tools, panels, layouts and results.

Imports only `errors`.
"""
