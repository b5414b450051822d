"""The search for layouts: what may be made (`candidates`), and which of it to try (`search`).

Imports `surrogate` and below.
"""
