"""The picture of a panel as it was read, and the same in words.

`picture` composes; `canvas` draws and keeps labels clear; one file each for the sheet, supports, loads, list and words.
"""
