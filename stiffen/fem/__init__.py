"""A small shell finite-element library: triangle elements, sparse factors, linear statics, modes, buckling, nonlinear
equilibrium paths.

Imports only `errors`.
"""
