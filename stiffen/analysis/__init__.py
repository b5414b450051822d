"""Loads, supports and edge trims on a panel's mesh, and the evaluation of its demands by the shell model.

May import `fem`, `mesh`, `shop`, `model` and `errors`.
"""
