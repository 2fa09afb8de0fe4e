"""Numerical cores of monitoring: encounters in, survival, numbers, growth and contribution out."""
