"""Lower bounds over the candidate set by cutting planes, linear programs and branch and bound.

Imports `candidates` and below.
"""
