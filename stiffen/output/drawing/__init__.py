"""The marking drawing (DXF) and the 1:1 paper template (PDF).

Imports `optimise` and the packages below it.  Only this package writes with ezdxf; only its `pdf` module uses
matplotlib.
"""
