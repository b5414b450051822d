"""Pictures: layout, result fields, load-deflection curves, comparisons, sweeps.

Imports `report` and below.
"""
