"""Projections of diversity and numbers: fish by fish with genes and kinship, and the expectation by recursion."""
