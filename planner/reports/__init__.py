"""Figures and printable sheets."""
