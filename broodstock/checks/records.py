"""What every check is given: the tables, the genotypes, the settings and the day."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from broodstock.findings import Findings, Level, Place
from broodstock.genotypes.genotype_set import GenotypeSet
from broodstock.tags.near import TagRanges

MAX_LISTED = 200
"""Most findings of one kind that one check lists; a last one says how many more there are."""
ALIVE = ("brood", "hold", "to-release")
"""Statuses of fish that are in the station."""


@dataclass(frozen=True)
class Limits:
    """Limits of the checks, each a setting of the programme.

    Parameters
    ----------
    min_age_female, min_age_male : int
        Youngest age of a parent, years.
    condition_low, condition_high : float
        Plausible Fulton condition on total length. Common practice, no source.
    shrink_mm : float
        Largest loss of length between two measurements, mm. Common practice, no source.
    growth_mm_per_day : float
        Fastest growth of young fish, mm per day; published rates of pond-reared suckers reach 1.8.
    growth_adult_mm_per_year : float
        Fastest growth of fish from `adult_length_mm` on, mm per year. Common practice, no source.
    adult_length_mm : float
        Total length from which a fish counts as adult, mm.
    swim_km_per_hour : float
        Fastest movement between two sites, km per hour. Common practice, no source.
    survey_valid_days : int
        Days a predator survey stays valid. Common practice, no source.
    year_class_from_month : int
        Month from which young count to the year class of the next calendar year.
    marker_contacts : int
        Contacts at one site from which an unknown tag is suspected to be a marker tag.
    ghost_days, ghost_contact_days : int
        Span, and days with contacts in it, from which a tag that never moved is suspected to be shed.
    hybrid_index_max : float
        Largest share of alleles of the other species at diagnostic loci. Common practice, no source.
    sample_call_rate_min : float
        Least share of loci typed in a sample. Common practice, no source.
    parent_mismatch_share : float
        Share of impossible loci up to which a misfit of recorded parents is only noted. Common practice, no
        source.
    """

    min_age_female: int = 3
    min_age_male: int = 2
    condition_low: float = 0.5
    condition_high: float = 2.5
    shrink_mm: float = 10.0
    growth_mm_per_day: float = 1.8
    growth_adult_mm_per_year: float = 250.0
    adult_length_mm: float = 300.0
    swim_km_per_hour: float = 5.0
    survey_valid_days: int = 365
    year_class_from_month: int = 7
    marker_contacts: int = 1000
    ghost_days: int = 730
    ghost_contact_days: int = 20
    hybrid_index_max: float = 0.05
    sample_call_rate_min: float = 0.8
    parent_mismatch_share: float = 0.03

    @classmethod
    def from_settings(cls, settings: Mapping[str, Any]) -> Limits:
        """Return the limits with the values that settings of the same name give."""
        return cls(**{f.name: settings[f.name] for f in fields(cls) if f.name in settings})


@dataclass(frozen=True)
class CheckInput:
    """Everything a check may look at.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        By table name, in the shared form of the readers.
    genotypes : mapping of str to GenotypeSet
        By set.
    settings : mapping
        Settings by name.
    today : datetime.date
        The day the records are read for.
    """

    tables: Mapping[str, pd.DataFrame]
    genotypes: Mapping[str, GenotypeSet] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)
    today: dt.date = dt.date(1970, 1, 1)

    @cached_property
    def limits(self) -> Limits:
        """Limits in force."""
        return Limits.from_settings(self.settings)

    @property
    def today_stamp(self) -> pd.Timestamp:
        """Today as a time stamp."""
        return pd.Timestamp(self.today)

    def release_day(self) -> pd.Timestamp:
        """Return the day of the next release; today when none is set."""
        day = self.settings.get("release_day")
        known = isinstance(day, dt.date) and day > dt.date(1970, 1, 1)
        return pd.Timestamp(str(day)) if known else self.today_stamp

    @cached_property
    def ranges(self) -> TagRanges:
        """Ranges of tags bought, both ends of one kind and in order."""
        frame = self.tables["tags_bought"]
        rows = zip(frame["first_code"], frame["last_code"], frame["box"], frame["purpose"], strict=True)
        return TagRanges.sorted_from(
            (a, b, box, purpose or "fish") for a, b, box, purpose in rows if a and len(a) == len(b) and a <= b
        )

    @cached_property
    def marker_tags(self) -> set[str]:
        """Tags that were read and lie in a range bought as marker tags."""
        if "marker" not in self.ranges.purposes:
            return set()
        read = set(self.tables["scans"]["tag"]) | set(self.tables["captures"]["tag"])
        at = {code: self.ranges.position(code) for code in read}
        return {code for code, i in at.items() if i >= 0 and self.ranges.purposes[i] == "marker"}

    @cached_property
    def tag_dates(self) -> pd.DataFrame:
        """First day on which each tag of the records is known to have been in a fish.

        Index: tag. Columns: ``first`` (NaT when no day is known), ``file``, ``row``.
        """
        parts = []
        for name, column, day in (
            ("identifiers", "code", "from_date"),
            ("stock", "tag", "tagged_on"),
            ("releases", "tag", "released_on"),
            ("captures", "new_tag", "captured_on"),
            ("fish", "tag", "entered_on"),
        ):
            frame = self.tables[name]
            has = frame[column].ne("")
            part = pd.DataFrame(
                {"tag": frame.loc[has, column], "first": frame.loc[has, day], "row": frame.index[has]}
            )
            part["file"] = frame.attrs.get("file", f"{name}.csv")
            parts.append(part)
        joined = pd.concat(parts, ignore_index=True)
        return (
            joined.sort_values("first", kind="stable", na_position="last").groupby("tag", sort=False).first()
        )

    @cached_property
    def known_tags(self) -> set[str]:
        """Tags that the records place in a fish."""
        return set(self.tag_dates.index)

    @cached_property
    def sample_rows(self) -> dict[str, int]:
        """Row of each sample in ``samples``."""
        samples = self.tables["samples"]
        return {s: int(i) for s, i in zip(samples["sample_id"], samples.index, strict=True)}

    @cached_property
    def alive_fish(self) -> pd.DataFrame:
        """Rows of ``fish`` that are in the station."""
        frame = self.tables["fish"]
        return frame[frame["status"].isin(ALIVE)]


Words = Callable[[pd.Series], str]


def file_of(frame: pd.DataFrame, name: str = "") -> str:
    """Return the file of a frame."""
    return str(frame.attrs.get("file") or f"{name}.csv")


def report(
    findings: Findings,
    code: str,
    frame: pd.DataFrame,
    rows: np.ndarray | pd.Series,
    column: str,
    found: Words | str,
    expected: Words | str,
    remedy: Words | str,
    level: Level = "warning",
    others: Callable[[pd.Series], list[Place]] | None = None,
) -> None:
    """Add one finding for each marked row.

    Parameters
    ----------
    findings : Findings
        Receives them.
    code : str
        Finding code.
    frame : DataFrame, shape (n_rows, ...)
        Table; its index is the row number.
    rows : bool array, shape (n_rows,)
        Marked rows.
    column : str
        Column named in the place.
    found, expected, remedy : str or function of the row
        Words of the finding.
    level : {'error', 'warning', 'note'}
        Level.
    others : function of the row, optional
        Further places.
    """
    at = np.flatnonzero(np.asarray(rows, dtype=bool))
    file = file_of(frame)
    for i in at[:MAX_LISTED]:
        row = frame.iloc[int(i)]
        findings.add(
            code,
            Place(file, int(frame.index[int(i)]), column),
            found if isinstance(found, str) else found(row),
            expected if isinstance(expected, str) else expected(row),
            remedy if isinstance(remedy, str) else remedy(row),
            level,
            others(row) if others else (),
        )
    if len(at) > MAX_LISTED:
        findings.add(
            code,
            Place(file, None, column),
            f"{len(at) - MAX_LISTED} more of the same kind",
            "none",
            f"Only the first {MAX_LISTED} are listed.",
            level,
        )


def dicts(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame as plain mappings, the row number under ``row``."""
    return [{"row": int(i), **r} for i, r in zip(frame.index, frame.to_dict("records"), strict=True)]  # type: ignore[dict-item]


def day(value: Any) -> str:
    """Return a date as text, ``an unknown day`` when missing."""
    return "an unknown day" if value is None or pd.isna(value) else pd.Timestamp(value).date().isoformat()


def lookup(frame: pd.DataFrame, key: str, column: str) -> dict[str, Any]:
    """Return one column by the first row of each key; rows with an empty key are left out."""
    rows = frame[frame[key].ne("") & ~frame[key].duplicated()]
    return dict(zip(rows[key], rows[column], strict=True))


def mapped(series: pd.Series, table: Mapping[str, Any], dtype: str) -> pd.Series:
    """Return the values of a lookup for each cell; missing where the lookup has none."""
    empty: Any = pd.NaT if dtype.startswith("datetime") else "" if dtype == "object" else np.nan
    values = [table.get(v, empty) for v in series]
    if dtype == "float64":
        values = [np.nan if pd.isna(v) else float(v) for v in values]
    return pd.Series(values, index=series.index, dtype=dtype)
