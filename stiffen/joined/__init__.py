"""Joined panels: the parts of a build as one shell, tied at the rivets of its joints; what holds each edge.

May import `analysis`, `fem`, `assembly` and what they may.
"""
