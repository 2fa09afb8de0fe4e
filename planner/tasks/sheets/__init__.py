"""Sheets for wet hands: what can be printed, how a version voids older ones, and how filled paper comes back."""
