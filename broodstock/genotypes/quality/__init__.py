"""Quality control of samples, loci and calls."""
