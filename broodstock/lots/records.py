"""From the tables of records to moves."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from broodstock.errors import UsageError
from broodstock.fields.lot_tables import MOVE_KINDS
from broodstock.lots.moves import USUAL_ERROR_PCT, Move, PlaceKind, Pool

if TYPE_CHECKING:
    import pandas as pd

USUAL_FAMILY_ERROR_PCT = 1.0
"""Fish given a wrong family by DNA when nothing is entered, %. Common practice, no source."""
NEEDS_TARGET = ("in", "split", "merge", "move", "release")
"""Kinds of events that send fish somewhere."""


def family_numbers(text: str) -> dict[str, float]:
    """Read fish by family, such as ``H24-01:300 H24-02:250``.

    Parameters
    ----------
    text : str
        Names and numbers, separated by blanks, commas or semicolons.

    Returns
    -------
    dict of str to float
        A family that stands there twice is added up.

    Raises
    ------
    UsageError
        If a part is not a name, a colon and a number of 0 or more.
    """
    out: dict[str, float] = {}
    for part in text.replace(",", " ").replace(";", " ").split():
        name, colon, number = part.rpartition(":")
        try:
            value = float(number)
        except ValueError:
            value = -1.0
        if not colon or not name or not 0.0 <= value < 1e9:
            raise UsageError(
                f"family_numbers: found {part!r}. Expected a family, a colon and a number, such as 'H24-01:300'. "
                "Correct it."
            )
        out[name] = out.get(name, 0.0) + value
    return out


def family_numbers_text(numbers: Mapping[str, float]) -> str:
    """Return fish by family as `family_numbers` reads them."""
    return " ".join(f"{name}:{value:g}" for name, value in numbers.items())


def move_of(row: Mapping[str, Any], index: int) -> Move:
    """Return one row of ``group_moves`` as a move.

    Parameters
    ----------
    row : mapping
        Cells by column, in the shared form of the readers.
    index : int
        Row in the file.

    Raises
    ------
    UsageError
        If the row lacks what its kind needs; `broodstock.checks.lot_checks` reports such rows as findings.
    """
    kind = str(row["kind"])
    problem = what_is_missing(row)
    if problem:
        raise UsageError(
            f"group_moves, {row['move_id']}: found {problem}. Expected a complete event. Correct the row."
        )
    families = family_numbers(str(row["family_numbers"]))
    number = _whole(row["number"])
    if not families and row["family"]:
        families = {str(row["family"]): float(number or 0)}
    if number is None and families and kind in ("in", "dna-sample"):
        number = round(sum(families.values()))
    error = _number(row["error_pct"])
    family_error = _number(row["family_error_pct"])
    return Move(
        str(row["move_id"]),
        row["happened_on"].date(),
        kind,  # type: ignore[arg-type]
        str(row["from_lot"]),
        *_place(row, "from", ""),
        _target(row, kind),
        number,
        (USUAL_ERROR_PCT[str(row["method"])] if error is None else error) / 100.0,
        families,
        (USUAL_FAMILY_ERROR_PCT if family_error is None else family_error) / 100.0,
        index,
    )


def what_is_missing(row: Mapping[str, Any]) -> str:
    """Return what a row lacks or has wrong, in words; empty when it is complete."""
    kind = str(row["kind"])
    if _is_missing(row["happened_on"]):
        return "no day"
    if kind not in MOVE_KINDS:
        return f"the kind '{kind}'"
    if row["from_unit"] and row["from_site"]:
        return "from_unit and from_site"
    if row["to_unit"] and row["to_site"]:
        return "to_unit and to_site"
    if kind == "in":
        if not row["to_lot"]:
            return "no to_lot"
        if _is_missing(row["number"]) and not row["family_numbers"]:
            return "no number"
    elif not (row["from_lot"] or row["from_unit"] or row["from_site"]):
        return "no from_lot, from_unit or from_site"
    if kind in ("split", "merge") and not row["to_lot"]:
        return "no to_lot"
    if kind == "move" and not (row["to_unit"] or row["to_site"]):
        return "no to_unit or to_site"
    if kind == "release" and not row["to_site"]:
        return "no to_site"
    if kind in ("split", "count", "death", "cull") and _is_missing(row["number"]):
        return "no number"
    if kind == "dna-sample" and not (row["family_numbers"] or row["family"]):
        return "no family_numbers"
    try:
        family_numbers(str(row["family_numbers"]))
    except UsageError:
        return f"family_numbers '{row['family_numbers']}'"
    return ""


def moves_of(group_moves: pd.DataFrame) -> list[Move]:
    """Return the complete rows of ``group_moves`` as moves, in file order.

    Rows that lack something are left out; the checks report them.
    """
    cells: list[dict[str, Any]] = [{str(k): v for k, v in r.items()} for r in group_moves.to_dict("records")]
    places = [int(i) for i in group_moves.index]
    return [move_of(r, i) for i, r in zip(places, cells, strict=True) if not what_is_missing(r)]


def closed_lots(lots: pd.DataFrame) -> dict[str, tuple[dt.date, int]]:
    """Return day of closing and row of the lots that are closed."""
    return {
        str(lot): (on.date(), int(i))
        for lot, on, i in zip(lots["lot_id"], lots["closed_on"], lots.index, strict=True)
        if not _is_missing(on)
    }


def _place(row: Mapping[str, Any], side: str, site_kind: PlaceKind) -> tuple[PlaceKind, str]:
    if row[f"{side}_unit"]:
        return "unit", str(row[f"{side}_unit"])
    if row[f"{side}_site"]:
        return site_kind or "site", str(row[f"{side}_site"])
    return "", ""


def _target(row: Mapping[str, Any], kind: str) -> Pool | None:
    if kind not in NEEDS_TARGET:
        return None
    lot = str(row["to_lot"] or row["from_lot"])
    return Pool(lot, *_place(row, "to", "released" if kind == "release" else "site"))


def _is_missing(value: Any) -> bool:
    import pandas as pd

    return value is None or value is pd.NA or bool(pd.isna(value))


def _whole(value: Any) -> int | None:
    return None if _is_missing(value) else int(value)


def _number(value: Any) -> float | None:
    return None if _is_missing(value) else float(value)
