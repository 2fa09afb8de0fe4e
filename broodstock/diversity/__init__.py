"""Diversity within and between groups of fish."""
