"""Validation of the shell model: published and recomputed values, and the models that recompute them.

May import `analysis`, `fem`, `mesh` and `model`.  Nothing imports it but `stiffen.validate`.
"""
