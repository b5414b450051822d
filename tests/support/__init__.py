"""Panels, shapes and readers that several tests share."""
