"""Genotype calls and their quality control."""
