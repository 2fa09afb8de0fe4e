"""Foreign tables into ours: headers by name, alias or saved mapping; units and kind of length as declared.

Works on the cells as text, before any meaning is given to them. What was converted is said, never done silently.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation

from broodstock.errors import UsageError
from broodstock.fields import Table
from broodstock.intake.raw_table import RawTable

FACTORS: dict[str, dict[str, Decimal]] = {
    "mm": {"cm": Decimal(10), "m": Decimal(1000), "in": Decimal("25.4"), "ft": Decimal("304.8")},
    "m": {"cm": Decimal("0.01"), "ft": Decimal("0.3048"), "in": Decimal("0.0254")},
    "km": {"m": Decimal("0.001"), "mi": Decimal("1.609344")},
    "g": {
        "mg": Decimal("0.001"),
        "kg": Decimal(1000),
        "oz": Decimal("28.349523125"),
        "lb": Decimal("453.59237"),
    },
    "kg": {"g": Decimal("0.001"), "lb": Decimal("0.45359237")},
    "ha": {"m2": Decimal("0.0001"), "km2": Decimal(100), "acre": Decimal("0.40468564224")},
    "L": {"m3": Decimal(1000), "ml": Decimal("0.001"), "gal": Decimal("3.785411784")},
    "h": {"min": Decimal(1) / Decimal(60), "s": Decimal(1) / Decimal(3600), "d": Decimal(24)},
    "%": {"share": Decimal(100)},
    "C": {},
}
"""Size of other units in ours. The inch is 25.4 mm, the pound 0.45359237 kg, the US gallon 231 cubic inches: exact
by definition (NIST Special Publication 811, appendix B)."""

TEMPERATURES = {"F": (Decimal(32), Decimal(5) / Decimal(9)), "K": (Decimal("273.15"), Decimal(1))}
"""Zero point and size of one degree of other scales, in degrees Celsius."""

LENGTH_TYPES = ("TL", "FL", "SL")

DATE_ORDERS = {"day-first": (2, 1, 0), "month-first": (2, 0, 1)}
"""Where year, month and day stand in a date written with points, strokes or hyphens."""

_OTHER_DATE = re.compile(r"([0-9]{1,2})[./-]([0-9]{1,2})[./-]([0-9]{4})")


@dataclass(frozen=True)
class Declared:
    """What a person said about a foreign file.

    Parameters
    ----------
    columns : mapping of str to str
        Our column by foreign header.
    units : mapping of str to str
        Unit the file uses, by our column.
    length_type : str
        Kind of every length in the file: ``TL``, ``FL`` or ``SL``; empty when each row says it.
    values : mapping of str to mapping of str to str
        By our column: our word by the word the file uses.
    fill : mapping of str to str
        Value of empty cells, by our column; the column is added when the file has none.
    dates : str
        Order of dates that are not ISO: ``day-first`` or ``month-first``; empty when all are ISO.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    length_type: str = ""
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    fill: Mapping[str, str] = field(default_factory=dict)
    dates: str = ""

    def words(self) -> str:
        """Return what was declared, for the source of a change; empty when nothing was."""
        parts = [f"{h} -> {c}" for h, c in sorted(self.columns.items())]
        parts += [f"{c} from {u}" for c, u in sorted(self.units.items())]
        parts += [f"lengths are {self.length_type}"] if self.length_type else []
        parts += [f"{c} {t!r} is {o}" for c, v in sorted(self.values.items()) for t, o in sorted(v.items())]
        parts += [f"empty {c} is {v}" for c, v in sorted(self.fill.items())]
        parts += [f"dates are {self.dates}"] if self.dates else []
        return "; ".join(parts)


def pairs_of(option: str, texts: Iterable[str], example: str) -> dict[str, str]:
    """Split ``NAME=VALUE`` texts at their last equals sign.

    Raises
    ------
    UsageError
        If a text has no equals sign or an empty side.
    """
    out = {}
    for text in texts:
        name, sign, value = text.rpartition("=")
        if not sign or not name.strip() or not value.strip():
            raise UsageError(f"{option}: found {text!r}. Expected NAME=VALUE, for example {example}.")
        out[name.strip()] = value.strip()
    return out


def values_of(texts: Iterable[str]) -> dict[str, dict[str, str]]:
    """Split ``COLUMN:THEIRS=OURS`` texts into our words by column and word of the file.

    Raises
    ------
    UsageError
        If a text has another form.
    """
    out: dict[str, dict[str, str]] = {}
    for text in texts:
        name, colon, rest = text.partition(":")
        theirs, sign, ours = rest.rpartition("=")
        if not colon or not sign or not name.strip() or not theirs.strip() or not ours.strip():
            raise UsageError(
                f"--word: found {text!r}. Expected COLUMN:THEIRS=OURS, for example sex:F=female."
            )
        out.setdefault(name.strip(), {})[theirs.strip()] = ours.strip()
    return out


def check_declared(declared: Declared, specs: Iterable[Table]) -> None:
    """Refuse columns that no table has, units that cannot be turned into ours, and unknown kinds of length.

    Raises
    ------
    UsageError
        With what was expected instead.
    """
    specs = list(specs)
    columns = {c.name: c for spec in specs for c in spec.columns}
    if declared.length_type and declared.length_type not in LENGTH_TYPES:
        raise UsageError(
            f"--length-type: found {declared.length_type!r}. Expected TL (total), FL (fork) or SL (standard)."
        )
    for header, name in declared.columns.items():
        if name not in columns:
            raise UsageError(
                f"--map {header}={name}: found no column {name!r} in {', '.join(s.name for s in specs)}. Expected one of "
                f"{', '.join(sorted(columns))}."
            )
    for name, unit in declared.units.items():
        if name not in columns:
            raise UsageError(f"--unit {name}={unit}: found no column {name!r}. See 'kinshoal columns TABLE'.")
        own = columns[name].unit
        others = sorted({*FACTORS.get(own, {}), *(TEMPERATURES if own == "C" else ())})
        if unit != own and unit not in others:
            raise UsageError(
                f"--unit {name}={unit}: found unit {unit!r}. Expected {own or 'no unit'}"
                f"{' or one that can be turned into it: ' + ', '.join(others) if others else ''}."
            )
    if declared.dates and declared.dates not in DATE_ORDERS:
        raise UsageError(f"--dates: found {declared.dates!r}. Expected {' or '.join(DATE_ORDERS)}.")
    given = [("--word", c, o) for c, v in declared.values.items() for o in v.values()]
    for option, name, ours in (*given, *(("--fill", c, v) for c, v in declared.fill.items())):
        if name not in columns:
            raise UsageError(f"{option} {name}: found no column {name!r}. See 'kinshoal columns TABLE'.")
        choices = columns[name].choices
        if choices and ours not in choices:
            raise UsageError(f"{option} {name}: found {ours!r}. Expected one of {', '.join(choices)}.")
    if declared.length_type not in ("", "TL"):
        only_total = [s.name for s in specs if "length_type" not in s.names and "total_length_mm" in s.names]
        if only_total and not any("length_type" in s.names for s in specs):
            raise UsageError(
                f"--length-type {declared.length_type}: found table {', '.join(only_total)}, which holds total lengths. "
                "Expected TL. Other lengths cannot be turned into total lengths without a ratio of the species; enter "
                "them as captures, where the kind of length is kept."
            )


def translated(raw: RawTable, spec: Table, declared: Declared) -> tuple[RawTable, list[str]]:
    """Rename the headers of a foreign table and turn its units into ours.

    Parameters
    ----------
    raw : RawTable
        Cells as text.
    spec : Table
        Our table.
    declared : Declared
        What was said about the file.

    Returns
    -------
    raw : RawTable
        A new table; cells that are no numbers are left as they are for the reader to report.
    said : list of str
        One sentence for each column that was converted or filled.
    """
    headers = [declared.columns.get(h, h) for h in raw.header]
    by_header = {c.name: c.name for c in spec.columns} | {a: c.name for c in spec.columns for a in c.aliases}
    names = [by_header.get(h) or by_header.get("_".join(h.lower().split()), h) for h in headers]
    columns = list(raw.columns)
    typed = dict(raw.typed)
    said = _in_our_words(spec, declared, headers, names, columns)
    for name, unit in declared.units.items():
        if name not in names or name not in spec.names or unit == spec.column(name).unit:
            continue
        at = names.index(name)
        own = spec.column(name).unit
        converted = [in_our_unit(cell, own, unit) for cell in columns[at]]
        changed = sum(a != b for a, b in zip(columns[at], converted, strict=True))
        columns[at] = converted
        said.append(f"{spec.name}.{name}: {changed} value(s) turned from {unit} into {own}")
    if declared.length_type and "length_type" in spec.names:
        filled = len(columns[0]) if columns else 0
        lengths = columns[names.index("length_mm")] if "length_mm" in names else [""] * filled
        words = [declared.length_type if length.strip() else "" for length in lengths]
        if "length_type" in names:
            at = names.index("length_type")
            before = columns[at]
            columns[at] = [b if b.strip() else w for b, w in zip(before, words, strict=True)]
            n = sum(a != b for a, b in zip(before, columns[at], strict=True))
        else:
            headers, columns = [*headers, "length_type"], [*columns, words]
            n = sum(map(bool, words))
        said.append(f"{spec.name}.length_type: {n} length(s) taken as {declared.length_type}, as declared")
    return RawTable(raw.file, headers, columns, raw.rows, typed), said


def _in_our_words(
    spec: Table, declared: Declared, headers: list[str], names: list[str], columns: list[list[str]]
) -> list[str]:
    """Put the words, dates and filled cells that were declared into the columns; say what was changed."""
    said = []
    for name, ours in declared.values.items():
        if name not in names or name not in spec.names:
            continue
        at = names.index(name)
        changed = [ours.get(c.strip(), c) for c in columns[at]]
        n = sum(a != b for a, b in zip(columns[at], changed, strict=True))
        columns[at] = changed
        said.append(f"{spec.name}.{name}: {n} word(s) of the file put into ours")
    for at, name in enumerate(names):
        if declared.dates and name in spec.names and spec.column(name).kind == "date":
            changed = [iso_date(c, declared.dates) for c in columns[at]]
            n = sum(a != b for a, b in zip(columns[at], changed, strict=True))
            columns[at] = changed
            said += [f"{spec.name}.{name}: {n} date(s) read as {declared.dates}"] if n else []
    for name, value in declared.fill.items():
        if name not in spec.names:
            continue
        if name not in names:
            headers.append(name)
            names.append(name)
            columns.append([""] * (len(columns[0]) if columns else 0))
        at = names.index(name)
        n = sum(not c.strip() for c in columns[at])
        columns[at] = [c if c.strip() else value for c in columns[at]]
        said.append(f"{spec.name}.{name}: {n} empty cell(s) taken as {value}, as declared")
    return said


def iso_date(cell: str, order: str) -> str:
    """Return a date such as 14/03/2018 as ISO text; any other text, or a day that does not exist, as it is.

    Parameters
    ----------
    cell : str
        Cell of the file.
    order : {'day-first', 'month-first'}
        As declared.
    """
    found = _OTHER_DATE.fullmatch(cell.strip())
    if found is None:
        return cell
    year, month, day = (int(found.groups()[k]) for k in DATE_ORDERS[order])
    try:
        return dt.date(year, month, day).isoformat()
    except ValueError:
        return cell


def in_our_unit(cell: str, own: str, unit: str) -> str:
    """Return a number given in another unit in ours, with at most six decimals; other text as it is."""
    try:
        value = Decimal(cell.strip())
    except InvalidOperation:
        return cell
    if not value.is_finite():
        return cell
    if own == "C" and unit in TEMPERATURES:
        zero, degree = TEMPERATURES[unit]
        value = (value - zero) * degree
    else:
        value *= FACTORS[own][unit]
    text = f"{round(value, 6):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
