"""A build: panels and strips placed in space, and the rivets that join them; its file, its geometry.

May import `mesh`, `io`, `shop`, `model`.
"""
