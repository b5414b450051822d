"""A short talk that ends in a panel file: the questions, loads with their sources, and the text of the file.

Pure functions; the command `ask` reads the answers and prints.
"""
