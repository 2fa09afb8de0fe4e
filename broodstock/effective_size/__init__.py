"""Effective population size, Ne and Nb."""
