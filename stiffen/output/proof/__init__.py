"""The page of the push and tap test, on paper and as text.

May import output.report, output.drawing and everything below.
"""
