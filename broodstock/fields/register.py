"""All tables by name."""

from __future__ import annotations

from broodstock.fields.columns import Table
from broodstock.fields.fish_tables import FISH_TABLES
from broodstock.fields.genetic_tables import GENETIC_TABLES
from broodstock.fields.lot_tables import LOT_TABLES
from broodstock.fields.monitoring_tables import MONITORING_TABLES
from broodstock.fields.site_tables import SITE_TABLES
from broodstock.fields.transport_tables import TRANSPORT_TABLES

TABLES: dict[str, Table] = {
    t.name: t
    for t in (*FISH_TABLES, *SITE_TABLES, *GENETIC_TABLES, *TRANSPORT_TABLES, *MONITORING_TABLES, *LOT_TABLES)
}


def table(name: str) -> Table:
    """Return the table called `name`.

    Raises
    ------
    KeyError
        If no such table is registered; the message lists the tables.
    """
    try:
        return TABLES[name]
    except KeyError:
        raise KeyError(f"no table {name!r}; the tables are {', '.join(sorted(TABLES))}") from None
