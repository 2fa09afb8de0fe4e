"""Do the cells that name a record of another table name one that exists."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

import numpy as np
import pandas as pd

from broodstock.fields import TABLES, Column
from broodstock.findings import Finding, Findings, Place
from broodstock.intake.near_words import did_you_mean, near_word
from broodstock.intake.raw_table import MAX_LISTED, more

_MOST_SUGGESTED = 100


def check_references(
    tables: Mapping[str, pd.DataFrame],
    known: Mapping[str, Collection[str]] | None = None,
    present: Collection[str] | None = None,
) -> list[Finding]:
    """Check every cell that points to another table.

    Parameters
    ----------
    tables : dict of str to DataFrame
        By table name, in the shared form of the readers.
    known : dict of str to set of str, optional
        Further names that count as existing, by ``table.column``, for example those of the register.
    present : set of str, optional
        Tables that were really read. References to any other table cannot be checked and give one note
        each. Default: all in `tables`.

    Returns
    -------
    list of Finding
        Code ``parent-unknown`` in dam and sire columns, else ``reference-unknown``;
        ``reference-unchecked`` when the other table is absent.
    """
    findings = Findings()
    known = known or {}
    there = set(tables) if present is None else set(present)
    pools: dict[str, set[str]] = {}
    for name, column in _pointing_columns():
        frame = tables.get(name)
        if frame is None or frame.empty or column.name not in frame.columns:
            continue
        values = frame[column.name].to_numpy(dtype=object)
        position, words = pd.factorize(values)
        target_table, target_column = column.refers.split(".")
        if target_table not in there and column.refers not in known:
            count = int((values != "").sum())
            if count:
                _unchecked(frame, column, target_table, count, findings)
            continue
        if column.refers not in pools:
            pool = set(known.get(column.refers, ()))
            if target_table in tables and target_table in there:
                pool |= set(tables[target_table][target_column]) - {""}
            pools[column.refers] = pool
        _unknown_words(frame, column, position, words, pools[column.refers], findings)
    return list(findings)


def _pointing_columns() -> Iterator[tuple[str, Column]]:
    for name, spec in TABLES.items():
        for column in spec.columns:
            if column.refers:
                yield name, column


def _unchecked(frame: pd.DataFrame, column: Column, target: str, count: int, findings: Findings) -> None:
    findings.add(
        "reference-unchecked",
        Place(frame.attrs.get("file", ""), None, column.name),
        f"{count} cell(s) that name a record of '{target}', a table that is not here",
        f"the table '{target}' beside it",
        "Add the table to have these names checked.",
        "warning",
    )


def _unknown_words(
    frame: pd.DataFrame,
    column: Column,
    position: np.ndarray,
    words: np.ndarray,
    pool: set[str],
    findings: Findings,
) -> None:
    """List the rows whose word is not in the pool."""
    wrong = [i for i, w in enumerate(words) if w != "" and w not in pool]
    if not wrong:
        return
    alphabet = "".join(sorted({c for w in list(pool)[:5000] for c in w}))
    near = {i: near_word(words[i], pool, alphabet) for i in wrong[:_MOST_SUGGESTED]}
    file = frame.attrs.get("file", "")
    target_table, target_column = column.refers.split(".")
    parent = column.name in ("dam", "sire")
    code = "parent-unknown" if parent else "reference-unknown"
    empty = "" if column.required else f", or leave the cell empty if the {_noun(column)} is unknown"
    rows = np.flatnonzero(np.isin(position, wrong))
    for at in rows[:MAX_LISTED]:
        word_at = int(position[at])
        findings.add(
            code,
            Place(file, int(frame.index[at]), column.name),
            f"'{words[word_at]}'",
            f"a {target_column} in {target_table}.csv or the register",
            f"{did_you_mean(near.get(word_at, ''))}Correct it, add the {_noun_of(target_table)}{empty}.",
        )
    more(findings, code, file, column.name, len(rows))


def _noun(column: Column) -> str:
    return column.name.removesuffix("_id").replace("_", " ")


def _noun_of(table_name: str) -> str:
    nouns = {"families": "family", "fish": "fish"}
    return nouns.get(table_name, table_name.removesuffix("s").replace("_", " "))
