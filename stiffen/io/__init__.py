"""Panel, tools, layout and drawing files to checked records, and records back to files.

Imports `shop` and below.
"""
