"""Sort samples into the groups a geneticist asks about."""

from __future__ import annotations

import difflib
from typing import Literal

import pandas as pd

from broodstock.errors import UsageError
from broodstock.genotypes.genotype_set import GenotypeSet
from planner.tasks.programme import Programme

By = Literal["year-class", "line", "site", "group", "year-class-and-line"]
BY: tuple[By, ...] = ("year-class", "line", "site", "group", "year-class-and-line")
NOT_FISH = ("replicate", "control")


def call_set(programme: Programme, name: str) -> GenotypeSet:
    """Return one call set by name.

    Raises
    ------
    UsageError
        If the records have no such call set.
    """
    if name not in programme.genotypes:
        have = ", ".join(programme.genotypes) or "none"
        near = difflib.get_close_matches(name, programme.genotypes, 1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise UsageError(f"call set: found {name!r}. Expected one of: {have}.{hint}")
    return programme.genotypes[name]


def sample_table(programme: Programme, genotypes: GenotypeSet) -> pd.DataFrame:
    """Return the rows of ``samples`` in the order of a call set; samples without a row are empty there."""
    table = programme.tables["samples"].drop_duplicates("sample_id").set_index("sample_id")
    return table.reindex(list(genotypes.samples))


def one_sample_per_fish(table: pd.DataFrame, typed_loci: pd.Series) -> pd.Series:
    """Mark one sample of each fish: not a replicate or control, and the one typed at most loci.

    Parameters
    ----------
    table : DataFrame
        From `sample_table`.
    typed_loci : Series
        Loci typed, in the same order.

    Returns
    -------
    Series of bool
        True for the samples that stand for a fish.
    """
    is_fish = ~table["group"].isin(NOT_FISH) & table["group"].notna()
    order = typed_loci.where(is_fish, -1).sort_values(ascending=False, kind="stable").index
    fish = table["fish_id"].fillna("").astype(str)
    stock = table["stock_id"].fillna("").astype(str)
    name = fish.where(fish != "", stock)
    name = name.where(name != "", pd.Series(table.index, index=table.index))
    first = ~name.loc[order].duplicated()
    return is_fish & first.reindex(table.index)


def group_labels(table: pd.DataFrame, by: By) -> list[str | None]:
    """Return the group of each sample, None where it belongs to none.

    Parameters
    ----------
    table : DataFrame
        From `sample_table`.
    by : {'year-class', 'line', 'site', 'group', 'year-class-and-line'}
        What makes a group.

    Raises
    ------
    UsageError
        If `by` is another word.
    """
    year = table["year_class"].astype("Int64").astype("string").fillna("")
    columns = {
        "year-class": [year],
        "line": [table["line"]],
        "site": [table["site_id"]],
        "group": [table["group"]],
        "year-class-and-line": [year, table["line"]],
    }
    if by not in columns:
        raise UsageError(f"--by: found {by!r}. Expected one of {', '.join(BY)}.")
    parts = [c.fillna("").astype(str) for c in columns[by]]
    return [" ".join(words) if all(words) else None for words in zip(*parts, strict=True)]
