"""Sections of the shop card that are made for it; screens and pages show some of them too."""
