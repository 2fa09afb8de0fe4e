"""Pedigree, kinship, founders and gene drop."""
