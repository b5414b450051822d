"""A panel and its layout to checked triangles on the true folded and beaded shape.

Imports `io` and below.
"""
