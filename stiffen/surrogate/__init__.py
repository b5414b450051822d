"""The surrogate that ranks layouts for the search: the panel on one coarse mesh of laminated triangles.

`strip_laminate` turns a die's profile into a laminate, `bead_ends` says how stiff a bead is near its ends, `coverage`
which part of each triangle a bead or hole covers; `element_laminates` smears them in, `laminated_panel` evaluates a
layout.  May import `analysis` and below.
"""
