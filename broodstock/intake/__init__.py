"""Reading files into tables and genotype sets; every fault becomes a finding."""
