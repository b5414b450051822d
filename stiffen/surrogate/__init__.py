"""The surrogate that ranks layouts for the search: the panel on one coarse mesh of laminated triangles.

`strip_laminate` turns a die's profile into a laminate, `coverage` says which part of each triangle a bead or hole
covers, `element_laminates` smears them in, `laminated_panel` evaluates a layout.  May import `analysis` and below.
"""
