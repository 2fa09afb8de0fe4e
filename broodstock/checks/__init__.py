"""Checks on whole sets of records."""
