"""What a search makes of a layout that meets the demands: without needless parts, neat, with holes; and the proposals.

Imports from `optimise.search` and below, but neither `driver` nor `stages`.
"""
