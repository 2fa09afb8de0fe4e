"""Kinship and relatedness from markers, and their blend with the pedigree."""
