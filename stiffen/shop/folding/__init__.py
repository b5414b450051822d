"""Folding at the bench: where bends and the clamp bar lie on the sheet, what the brake can bend, rules of folds.

Imports `shop.bends`, `shop.spacing_rules` and `model`.
"""
