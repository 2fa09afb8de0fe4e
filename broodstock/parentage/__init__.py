"""Parents and families from genotypes."""
