"""The marking drawing (DXF) and the 1:1 paper template (PDF).

Imports `optimise` and below, of the libraries ezdxf and matplotlib.
"""
