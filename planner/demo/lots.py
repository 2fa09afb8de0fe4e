"""Lots of the last two year classes and everything that happened to them, true to the hidden numbers of families.

Fry of two dishes share a nursery tank, wild larvae a cell by group; in June they are put together in the unit in which
the tagged fish stand in autumn. A year class before is followed from its ponds to the waters. Deaths are known as
totals only; a DNA sample of each pond tells how the families fared.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from broodstock.fields import table
from planner.demo.days import day, iso, stamps
from planner.demo.history import History
from planner.demo.scale import LAKE, Scale

POND_SURVIVAL = 0.94
CLIPS = 48
TYPING_ERROR = 0.01
_CELLS = tuple(f"C-{k:02d}" for k in range(71, 81))
_NURSERY = tuple(f"T-{k:02d}" for k in range(4, 41))
_PONDS = tuple(f"P-{k:02d}" for k in range(1, 7))


@dataclass
class LotBook:
    """Rows of ``lots`` and ``group_moves``, and the true number of each family.

    Attributes
    ----------
    lots, moves : list of dict
        Rows.
    truth : list of tuple
        Day, lot, place, family, fish.
    """

    rng: np.random.Generator
    lots: list[dict[str, object]] = field(default_factory=list)
    moves: list[dict[str, object]] = field(default_factory=list)
    truth: list[tuple[int, str, str, str, int]] = field(default_factory=list)

    def open(
        self, lot: str, year: int, kind: str, stage: str, on: int, families: int, closed: int = -1
    ) -> None:
        """Open a lot."""
        self.lots.append(
            {
                "lot_id": lot,
                "year_class": year,
                "kind": kind,
                "stage": stage,
                "told_apart": "parent-dna" if families > 1 else "",
                "opened_on": on,
                "closed_on": closed,
            }
        )

    def happen(self, on: int, kind: str, **cells: object) -> None:
        """Add an event; its number comes when all are in order of time."""
        self.moves.append({"happened_on": on, "kind": kind} | cells)

    def seen(self, true: int, error_pct: float) -> int:
        """Return a number as it was found: true, give or take twice its error at most."""
        z = float(np.clip(self.rng.standard_normal(), -2.0, 2.0))
        return max(round(true * (1.0 + error_pct / 100.0 * z)), 0)

    def note_truth(self, on: int, lot: str, place: str, fish: Mapping[str, int]) -> None:
        """Write down the true families of a lot."""
        self.truth += [(on, lot, place, f, n) for f, n in sorted(fish.items()) if n]

    def clips(self, on: int, lot: str, unit: str, fish: Mapping[str, int]) -> None:
        """Type a sample of a lot; one fish in a hundred is given a wrong family of the lot."""
        names = sorted(fish)
        there = np.array([fish[f] for f in names])
        size = min(CLIPS, int(there.sum()) // 3)
        if size < 4 or len(names) < 2:
            return
        sample = self.rng.multivariate_hypergeometric(there, size)
        found = Counter({f: int(n) for f, n in zip(names, sample, strict=True)})
        for f in np.repeat(np.arange(len(names)), sample):
            if self.rng.random() < TYPING_ERROR:
                others = [k for k in range(len(names)) if k != f]
                found[names[int(f)]] -= 1
                found[names[int(self.rng.choice(others))]] += 1
        text = " ".join(f"{f}:{n}" for f, n in sorted(found.items()) if n)
        self.happen(
            on, "dna-sample", from_lot=lot, from_unit=unit, number=size, method="counted", family_numbers=text,
            family_error_pct=100 * TYPING_ERROR, note="fin clips typed; fish put back",
        )  # fmt: skip


def lots_tables(
    history: History, scale: Scale, releases: pd.DataFrame, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return the tables of lots and group moves, and the true families of lots.

    Parameters
    ----------
    history : History
        Hidden truth.
    scale : Scale
        Sizes.
    releases : DataFrame
        Released fish as recorded.
    rng : Generator
        Random numbers of this part alone.

    Returns
    -------
    lots, group_moves, truth : DataFrame
        Truth: ``on``, ``lot``, ``place``, ``family``, ``number`` at the end of the day.
    """
    book = LotBook(rng)
    _released_year_class(book, releases, scale.last_year - 1)
    _year_class_in_care(book, history, scale)
    return _lots_frame(book), _moves_frame(book), _truth_frame(book)


def _year_class_in_care(book: LotBook, history: History, scale: Scale) -> None:
    """Follow today's year class from the dishes and the larval groups to the units of the stock."""
    year, stock = scale.last_year, history.stock
    of_unit: dict[str, Counter[str]] = {}
    for unit, family in zip(stock.unit, stock.family, strict=True):
        of_unit.setdefault(str(unit), Counter())[str(family)] += 1
    in_june: dict[str, int] = {}
    ready: dict[str, list[tuple[str, str]]] = {u: [] for u in of_unit}
    for unit in sorted(of_unit):
        for family, n in sorted(of_unit[unit].items()):
            # As many as leave this many when each lives with the same chance.
            in_june[family] = n + int(book.rng.negative_binomial(n, POND_SURVIVAL))
    tank = 0
    for unit in sorted(of_unit):
        crosses = [f for f in sorted(of_unit[unit]) if f.startswith("H")]
        for k in range(0, len(crosses), 2):
            pair = crosses[k : k + 2]
            lot, place = f"N{year % 100}-{tank + 1:02d}", _NURSERY[tank % len(_NURSERY)]
            _nursery(book, history, year, lot, place, pair, in_june)
            ready[unit].append((lot, place))
            tank += 1
    _larvae(book, history, scale, of_unit, in_june, ready)
    for unit in sorted(of_unit):
        _grow_out(book, year, unit, of_unit[unit], in_june, ready[unit])


def _nursery(
    book: LotBook,
    history: History,
    year: int,
    lot: str,
    tank: str,
    pair: list[str],
    in_june: Mapping[str, int],
) -> None:
    """Rear the fry of one or two dishes in a tank until June."""
    dishes = history.dishes
    at = {f: dishes.family.index(f) for f in pair}
    kept = {f: int(dishes.kept[i]) for f, i in at.items()}
    opened = max(int(dishes.made_on[i]) for i in at.values()) + 21
    end = day(f"{year}-06-05")
    book.open(lot, year, "pooled" if len(pair) > 1 else "family", "larvae", opened, len(pair), end)
    cells = (
        {"family": pair[0]}
        if len(pair) == 1
        else {"family_numbers": " ".join(f"{f}:{kept[f]}" for f in pair)}
    )
    book.happen(
        opened,
        "in",
        to_lot=lot,
        to_unit=tank,
        number=sum(kept.values()),
        method="counted",
        error_pct=2.0,
        **cells,
    )
    fish = dict(kept)
    for on, part in ((day(f"{year}-04-16"), 0.6), (day(f"{year}-05-21"), 1.0)):
        died = {f: int(book.rng.binomial(max(fish[f] - in_june[f], 0), part)) for f in pair}
        if part == 1.0:
            died = {f: max(fish[f] - in_june[f], 0) for f in pair}
        fish = {f: fish[f] - died[f] for f in pair}
        found = book.seen(sum(died.values()), 3.0)
        if found:
            book.happen(
                on, "death", from_lot=lot, from_unit=tank, number=found, method="counted", error_pct=3.0
            )
        book.note_truth(on, lot, tank, fish)
    counted = book.seen(sum(fish.values()), 2.0)
    book.happen(
        end - 3, "count", from_lot=lot, from_unit=tank, number=counted, method="counted", error_pct=2.0
    )


def _larvae(
    book: LotBook,
    history: History,
    scale: Scale,
    of_unit: Mapping[str, Counter[str]],
    in_june: Mapping[str, int],
    ready: dict[str, list[tuple[str, str]]],
) -> None:
    """Rear the wild larvae of today's year class by group; those too small to tag go on to the grow-out pond."""
    year, rearing = scale.last_year, history.rearing
    unit_of = {f: u for u, counts in of_unit.items() for f in counts}
    groups = rearing.group_of[year].astype(str)
    nights: dict[str, list[int]] = {}
    for name, night in zip(rearing.take_group[year], rearing.takes[year].night, strict=True):
        nights.setdefault(name, []).append(int(night))
    alive = Counter(groups[rearing.alive[year]].tolist())
    for k, (name, taken) in enumerate(sorted(Counter(groups.tolist()).items())):
        lot, cell = f"W{name[1:]}", _CELLS[k % len(_CELLS)]
        first, end = max(nights[name]) + 1, day(f"{year}-06-06")
        keep = in_june.get(name, 0)
        rest = max(alive[name] - keep, 0)
        there = keep + rest
        book.open(lot, year, "larval-group", "larvae", first, 1, end + 1)
        book.happen(
            first,
            "in",
            to_lot=lot,
            to_unit=cell,
            number=taken,
            method="estimated",
            error_pct=5.0,
            family=name,
        )
        died = taken - there
        if died > 0:
            book.happen(day(f"{year}-05-22"), "death", from_lot=lot, from_unit=cell, number=book.seen(died, 5.0),
                     method="estimated", error_pct=5.0)  # fmt: skip
        book.happen(
            end - 2, "count", from_lot=lot, from_unit=cell, number=there, method="counted", error_pct=0.5
        )
        if rest and keep:
            target = {"to_site": "GP"} if "GP" in scale.sites else {}
            book.happen(end - 1, "move" if target else "out", from_lot=lot, from_unit=cell, number=rest, method="counted",
                     error_pct=0.5, note="too small to tag", **target)  # fmt: skip
        if keep:
            ready[unit_of[name]].append((lot, cell))
        else:
            target = {"to_site": "GP"} if "GP" in scale.sites else {}
            book.happen(end, "move" if target else "out", from_lot=lot, from_unit=cell, method="counted",
                     note="too small to tag", **target)  # fmt: skip
        if "GP" in scale.sites and rest:
            book.lots[-1]["closed_on"] = -1


def _grow_out(
    book: LotBook,
    year: int,
    unit: str,
    autumn: Counter[str],
    in_june: Mapping[str, int],
    sources: list[tuple[str, str]],
) -> None:
    """Put the lots of a unit together in June and rear them until they are tagged."""
    lot, start = f"G{year % 100}-{unit.replace('-', '')}", day(f"{year}-06-05")
    fish = {f: in_june[f] for f in sorted(autumn)}
    book.open(lot, year, "pooled", "juveniles", start, len(fish))
    for name, place in sources:
        on = start if name.startswith("N") else start + 1
        book.happen(on, "merge", from_lot=name, from_unit=place, to_lot=lot, to_unit=unit, method="counted")
    book.note_truth(start + 1, lot, unit, fish)
    for on, part in ((day(f"{year}-07-15"), 0.5), (day(f"{year}-08-20"), 1.0)):
        died = {f: int(book.rng.binomial(fish[f] - autumn[f], part)) for f in fish}
        fish = {f: fish[f] - died[f] for f in fish}
        if sum(died.values()):
            book.happen(on, "death", from_lot=lot, from_unit=unit, number=sum(died.values()), method="counted",
                     error_pct=3.0)  # fmt: skip
        book.note_truth(on, lot, unit, fish)
    book.clips(day(f"{year}-08-28"), lot, unit, fish)
    book.note_truth(day(f"{year}-08-28"), lot, unit, fish)
    number = sum(fish.values())
    book.happen(day(f"{year}-09-24"), "count", from_lot=lot, from_unit=unit, number=number, method="counted",
             error_pct=0.5, note="every fish tagged")  # fmt: skip
    book.note_truth(day(f"{year}-09-24"), lot, unit, fish)


def _released_year_class(book: LotBook, releases: pd.DataFrame, year: int) -> None:
    """Follow the year class before today's from its ponds to the waters it was released to."""
    here = releases[releases["year_class"].eq(year).fillna(False) & releases["family"].ne("")]
    here = here[~here["family"].str.startswith("B")]
    if here.empty:
        return
    sizes = here["family"].value_counts().sort_index()
    room = dict.fromkeys(_PONDS, 0)
    unit_of = {}
    for family in sizes.sort_values(ascending=False, kind="stable").index:
        unit = min(_PONDS, key=lambda u: (room[u], u))
        unit_of[family] = unit
        room[unit] += int(sizes[family])
    for unit in sorted(set(unit_of.values())):
        mine = here[here["family"].map(unit_of).eq(unit)]
        fish = {str(f): int(n) for f, n in mine["family"].value_counts().sort_index().items()}
        lot = f"G{year % 100}-{unit.replace('-', '')}"
        opened, sampled = day(f"{year}-06-08"), day(f"{year}-08-30")
        died = {f: int(book.rng.negative_binomial(n, POND_SURVIVAL)) for f, n in fish.items()}
        start = {f: n + died[f] for f, n in fish.items()}
        last = int(np.datetime64(mine["released_on"].max(), "D").astype(np.int64))
        book.open(
            lot, year, "pooled" if len(fish) > 1 else "larval-group", "juveniles", opened, len(fish), last
        )
        text = " ".join(f"{f}:{n}" for f, n in start.items())
        book.happen(opened, "in", to_lot=lot, to_unit=unit, number=sum(start.values()), method="counted", error_pct=1.0,
                 family_numbers=text)  # fmt: skip
        if sum(died.values()):
            book.happen(day(f"{year}-08-12"), "death", from_lot=lot, from_unit=unit, number=sum(died.values()),
                     method="counted", error_pct=3.0)  # fmt: skip
        book.clips(sampled, lot, unit, fish)
        book.note_truth(sampled, lot, unit, fish)
        book.happen(day(f"{year}-09-26"), "count", from_lot=lot, from_unit=unit, number=len(mine), method="counted",
                 error_pct=0.0, note="every fish tagged")  # fmt: skip
        gone: dict[str, Counter[str]] = {}
        for event in sorted(set(mine["event"])):
            group = mine[mine["event"].eq(event)]
            on, site = group["released_on"].iloc[0], str(group["site_id"].iloc[0])
            when = int(np.datetime64(on, "D").astype(np.int64))
            # Groups for a backwater are made of chosen families; a truck for the lake takes what comes.
            chosen = {} if site in LAKE else {"family_numbers": _by_family(group["family"])}
            book.happen(when, "release", from_lot=lot, from_unit=unit, to_site=site, number=len(group),
                     method="counted", error_pct=0.0, **chosen)  # fmt: skip
            gone.setdefault(site, Counter()).update(group["family"].astype(str))
            book.note_truth(when, lot, site, gone[site])


def _by_family(families: pd.Series) -> str:
    return " ".join(f"{f}:{n}" for f, n in families.value_counts().sort_index().items())


def _lots_frame(book: LotBook) -> pd.DataFrame:
    frame = pd.DataFrame(book.lots).sort_values("lot_id", kind="stable", ignore_index=True)
    for column in ("opened_on", "closed_on"):
        values = frame[column].to_numpy(dtype=np.int64)
        frame[column] = stamps(np.where(values < 0, -100_000, values))
    frame["year_class"] = frame["year_class"].astype("Int64")
    return frame


def _moves_frame(book: LotBook) -> pd.DataFrame:
    rows = sorted(book.moves, key=lambda r: int(str(r["happened_on"])))
    frame = pd.DataFrame(rows).reindex(columns=table("group_moves").names[1:])
    years = [iso(int(d))[:4] for d in frame["happened_on"]]
    number = frame.groupby(years).cumcount() + 1
    frame.insert(0, "move_id", [f"G-{y}-{k:03d}" for y, k in zip(years, number, strict=True)])
    frame["happened_on"] = stamps(frame["happened_on"].to_numpy(dtype=np.int64))
    frame["number"] = frame["number"].astype("Int64")
    for column in table("group_moves").columns:
        if column.kind in ("text", "choice") and column.name in frame.columns[1:]:
            cells = frame[column.name]
            frame[column.name] = cells.astype(object).where(cells.notna(), "")
    return frame


def _truth_frame(book: LotBook) -> pd.DataFrame:
    frame = pd.DataFrame(book.truth, columns=["on", "lot", "place", "family", "number"])
    frame = frame.sort_values(["lot", "on", "place", "family"], kind="stable", ignore_index=True)
    frame["on"] = stamps(frame["on"].to_numpy(dtype=np.int64))
    return frame
