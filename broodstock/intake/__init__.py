"""Reading and writing record files: tables, genotypes, whole folders. The only part that opens files."""
