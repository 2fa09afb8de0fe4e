"""The science and the meaning of the records: genotypes, pedigree, kinship, diversity, effective size.

Nothing here knows a solver, a database, a web page or a printer. Only `broodstock.intake` opens files.
"""

__version__ = "0.1.0"
