"""Loads, supports and edge trims on a panel's mesh, and the evaluation of its demands by the shell model.

Imports `fem`, `mesh` and below.
"""
