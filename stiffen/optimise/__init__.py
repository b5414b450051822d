"""The search for layouts: what may be drawn (`candidates`), what no choice of it can beat (`bounds`), and the search
itself (`search`).
"""
