"""The register of every table and column: name, type, unit, range and one sentence.

Readers, checks, templates, the data package and the documentation derive from it. A reader that names
a column which is not registered here fails a test.
"""

from broodstock.fields.columns import Column, Kind, Table
from broodstock.fields.register import TABLES, table

__all__ = ["TABLES", "Column", "Kind", "Table", "table"]
