"""Where board pages and camera were: the printed board, its corners in a photo, the camera, bundle adjustment.

Imports `errors` and `io` only.
"""
