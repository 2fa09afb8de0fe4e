"""Which incubator cell each new dish goes to: neighbours in the order of the dishes hang on different water supplies."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator
from itertools import chain, zip_longest

import pandas as pd

from planner.tasks.candidates import holds_on
from planner.tasks.programme import Programme
from planner.tasks.sheets.dishes import cell_names, cell_trays, named_cell


def free_cells(programme: Programme, day: dt.date, taken: Collection[str] = ()) -> Iterator[str]:
    """Give free cells one by one, each from another water supply than the one before while supplies last.

    Parameters
    ----------
    programme : Programme
        Open records. Supplies follow the settings ``incubator_columns`` and ``incubator_rows``, as on the incubator map.
    day : date
        Day of the crosses. Cells on hold, and cells with dishes laid within ``incubator_days`` before, are left out.
    taken : collection of str
        Cells used by dishes of the day already.

    Yields
    ------
    str
        Names of units of kind ``cell``; without any in the records C01, C02 and so on; empty when all are in use.
    """
    names = cell_names(programme)
    if not names:
        used = set(taken)
        yield from (f"C{k:02d}" for k in range(1, 10_000) if f"C{k:02d}" not in used)
        return
    used = {named_cell(c, names) for c in taken if c} | _in_use(programme, day, names)
    held = holds_on(programme.tables["holds"], day)
    used |= {name for name in names.values() if ("unit", name) in held}
    trays, per_supply = cell_trays(programme), int(programme.settings["incubator_rows"])
    supplies = [
        [cell for _, cells in trays[k : k + per_supply] for cell in cells]
        for k in range(0, len(trays), per_supply)
    ]
    for cell in chain.from_iterable(zip_longest(*supplies)):
        if cell is not None and cell not in used:
            yield cell
    while True:
        yield ""


def _in_use(programme: Programme, day: dt.date, names: dict[str, str]) -> set[str]:
    crosses = programme.tables["crosses"]
    since = pd.Timestamp(day) - pd.Timedelta(days=int(programme.settings["incubator_days"]))
    late = crosses[(crosses["made_on"] > since) & (crosses["made_on"] <= pd.Timestamp(day))]
    return {named_cell(c, names) for c in late["cell"] if c}
