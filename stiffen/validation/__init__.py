"""Known values from outside and the models that recompute them.

Imports `analysis`, `fem`, `mesh` and `elements`; nothing imports it.
"""
