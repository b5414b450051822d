"""What goes to the bench for a whole build: its sheet, sheets to buy, the assembled picture, a folder for each part.

May import all of `output`.
"""
