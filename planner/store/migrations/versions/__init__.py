"""Revisions of the schema, oldest first by number."""
