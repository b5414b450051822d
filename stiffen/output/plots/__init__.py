"""Pictures: layout, result fields, load-deflection curves, comparisons, sweeps.

Imports `result_document` and below.
"""
