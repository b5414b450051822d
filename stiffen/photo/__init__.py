"""A photo of a template becomes a panel file: board pages, camera, outline, holes, pen lines, expected error.

Imports `output.drawing` and the packages below it.  Only this package uses OpenCV, which the extra `photo` installs.
"""
