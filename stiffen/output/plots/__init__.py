"""Pictures: layout, result fields, load-deflection curves, comparisons, sweeps.

Imports `report` and the packages below it.  Only this package and `drawing.pdf` use matplotlib.
"""
