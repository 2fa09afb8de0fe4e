"""Effective size of year classes, every method that the records allow, side by side.

Quality control comes first. Young that were sampled family by family are weighed back to the numbers per
family, or thinned to them, because equal samples of unequal families look like more parents than there were.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from broodstock.effective_size.linkage import Screen, linkage_ne
from broodstock.effective_size.sibship import sibship_nb
from broodstock.effective_size.side_by_side import (
    GroupData,
    MethodRow,
    SideBySide,
    effective_size_side_by_side,
)
from broodstock.effective_size.stratified import proportional_draw, stratified_nb
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from planner.tasks.audit_samples import AuditCalls, audit_calls, same_design
from planner.tasks.parents import ParentsReport, find_parents
from planner.tasks.programme import Programme
from planner.tasks.quality import check_quality

FEWEST_FISH = 10
LEAST_COVERED = 0.9
"""Share of a year class that must be in sampled families before young are weighed to numbers per family."""
FEWEST_EARLIER = 30
FEWEST_THINNED = 20
SIBSHIP = "sibship frequency"
_SIBS = "Parents by DNA are right, and so are the numbers per family. Their errors are not in the interval."
_FAMILIES = "The families found from the larvae alone are right. Their errors are not in the interval."


@dataclass(frozen=True)
class DesignEffect:
    """What sampling family by family did to one method.

    Parameters
    ----------
    group, method : str
        Which.
    plain, corrected : Estimate
        Without and with the correction.
    """

    group: str
    method: str
    plain: Estimate
    corrected: Estimate


@dataclass(frozen=True)
class SizeReport:
    """Effective size of some groups.

    Parameters
    ----------
    groups : tuple of SideBySide
        One per year class and line.
    passed_over : tuple of (str, int)
        Groups with too few typed fish, and how many they have.
    design : tuple of DesignEffect
        Groups whose samples were weighed back to the numbers per family.
    samples : dict of str to str
        By group: which samples, in words.
    """

    groups: tuple[SideBySide, ...]
    passed_over: tuple[tuple[str, int], ...]
    design: tuple[DesignEffect, ...] = ()
    samples: dict[str, str] | None = None

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows as words."""
        rows = [
            [g.group, r.method, r.quantity, r.estimate.text(1), f"{r.estimate.n_used} {r.estimate.unit_used}"]
            for g in self.groups
            for r in g.rows
        ]
        return ["group", "method", "is", "estimate (95 % interval)", "from"], rows

    def notes(self) -> list[str]:
        """Return what each number means and rests on."""
        out: dict[str, None] = {f"{g}: {words}": None for g, words in (self.samples or {}).items()}
        for g in self.groups:
            for r in g.rows:
                if r.estimate.note:
                    out.setdefault(f"{g.group}, {r.method}: {r.estimate.note}")
                out.setdefault(f"{r.method.split(',')[0]} rests on: {r.rests_on}")
        out.update(dict.fromkeys(self.design_words()))
        out.update(
            {f"{name}: {n} fish, too few (fewer than {FEWEST_FISH})": None for name, n in self.passed_over}
        )
        return list(out)

    def design_words(self) -> list[str]:
        """Return one sentence per correction for the sampling design."""
        return [
            f"{d.group}, {d.method}: {d.corrected.text(1)} after weighing to the numbers per family; the sample "
            f"as it was taken, nearly as many of small families as of large ones, would give {d.plain.text(1)}."
            for d in self.design
        ]

    def with_sibship(self, group: str, estimate: Estimate, how: str) -> SizeReport:
        """Return the report with a sibship estimate added to one group; unchanged when it has no such group."""
        groups = tuple(
            _with_sibship(g, estimate, how, _FAMILIES) if g.group == group else g for g in self.groups
        )
        return replace(self, groups=groups)

    def find(self, group: str, method: str) -> Estimate | None:
        """Return the estimate of the first method of a group whose name starts so."""
        for g in self.groups:
            for row in g.rows:
                if g.group == group and row.method.startswith(method):
                    return row.estimate
        return None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "groups": [
                {
                    "group": g.group,
                    "samples": (self.samples or {}).get(g.group, ""),
                    "methods": [
                        {
                            "method": r.method,
                            "quantity": r.quantity,
                            "rests_on": r.rests_on,
                            **r.estimate.as_dict(),
                        }
                        for r in g.rows
                    ],
                    "not_run": list(g.not_run),
                }
                for g in self.groups
            ],
            "sampling_design": [
                {
                    "group": d.group,
                    "method": d.method,
                    "as_sampled": d.plain.as_dict(),
                    "corrected": d.corrected.as_dict(),
                }
                for d in self.design
            ],
            "passed_over": [{"group": name, "fish": n} for name, n in self.passed_over],
        }


def effective_sizes(
    programme: Programme,
    year_class: int | None = None,
    line: str | None = None,
    name: str = "snps",
    calls: AuditCalls | None = None,
    parents: ParentsReport | None = None,
) -> SizeReport:
    """Estimate the effective size behind year classes of a line.

    Parameters
    ----------
    programme : Programme
        Open records.
    year_class : int, optional
        One year class; default all.
    line : str, optional
        One supply line; default each.
    name : str
        Call set.
    calls : AuditCalls, optional
        Calls after quality control; made here when not given.
    parents : ParentsReport, optional
        Parents by DNA; found here when not given and a group of hatchery young asks for them.

    Returns
    -------
    SizeReport
        Groups by year class, then line.

    Raises
    ------
    UsageError
        If no sample fits.
    """
    calls = audit_calls(programme, check_quality(programme, name)) if calls is None else calls
    table = calls.table
    used = same_design(table, pd.Series(True, index=table.index))
    asked = used.copy()
    if year_class is not None:
        asked &= (table["year_class"] == year_class).fillna(False)
    if line is not None:
        asked &= table["line"] == line
    chosen = table[asked]
    if chosen.empty:
        raise UsageError(
            f"effective size: found no typed sample of year class {year_class or 'any'} and line {line or 'any'}. "
            "Expected at least one. Check year_class and line in samples.csv."
        )
    groups, passed, design = [], [], []
    samples: dict[str, str] = {}
    for (year, where), part in chosen.groupby(["year_class", "line"], sort=True):
        born = int(str(year))
        label = f"year class {born}, {where}"
        if len(part) < FEWEST_FISH:
            passed.append((label, len(part)))
            continue
        if where == "hatchery" and parents is None:
            parents = _parents_or_none(programme, calls)
        group = _Group(programme, calls, label, born, str(where), part, table[used])
        samples[label] = group.words()
        made, effects = group.sizes(parents if where == "hatchery" else None)
        groups.append(made)
        design += effects
    return SizeReport(tuple(groups), tuple(passed), tuple(design), samples)


def _parents_or_none(programme: Programme, calls: AuditCalls) -> ParentsReport | None:
    try:
        return find_parents(programme, calls.quality)
    except UsageError:
        return None  # no possible parent is genotyped: the sibship method is then listed as not run


@dataclass(frozen=True)
class _Group:
    """One year class of one line."""

    programme: Programme
    calls: AuditCalls
    label: str
    year: int
    line: str
    part: pd.DataFrame
    regular: pd.DataFrame

    @property
    def screens(self) -> tuple[Screen, ...]:
        return (self.programme.settings["screen_allele"], "no singletons")

    def words(self) -> str:
        kinds = ", ".join(f"{n} {g}" for g, n in self.part["group"].value_counts().items())
        words = f"samples used: {kinds}"
        if self.family_numbers:
            words += "; weighed to the numbers per family for sibships"
            if self.is_thinned:
                words += f", thinned to {len(self.thinned)} young in their proportion for other methods"
            else:
                words += (
                    ", but too few to be thinned to them for other methods, whose numbers may be too high"
                )
        waters = self.part.loc[self.part["site_id"].fillna("") != "", "site_id"].nunique()
        if self.line == "backwater" and waters > 1:
            words += (
                f"; from {waters} waters together: read the numbers as those of all these waters, and the linkage "
                "numbers as too low, because mixing populations makes alleles go together too"
            )
        return words

    @cached_property
    def family_numbers(self) -> dict[str, int]:
        """Tagged young of the year class by family; empty when samples cannot be weighed to them."""
        return numbers_for(self.programme, self.part, self.year, self.line)

    @cached_property
    def thinned(self) -> pd.DataFrame:
        """Samples in proportion to the numbers per family."""
        return fair_sample(self.programme, self.part, self.year, self.line)

    @property
    def is_thinned(self) -> bool:
        """Whether samples were thinned to the numbers per family."""
        return len(self.thinned) < len(self.part)

    def sizes(self, parents: ParentsReport | None) -> tuple[SideBySide, list[DesignEffect]]:
        settings = self.programme.settings
        numbers = self.family_numbers
        earlier, generations = self._earlier()
        found = effective_size_side_by_side(
            GroupData(
                group=self.label,
                genotypes=self._take(self.thinned),
                earlier=None if earlier is None else self._take(earlier),
                generations=generations,
                **(_contributions(self.programme, self.year) if self.line == "hatchery" else {}),
            ),
            screens=self.screens,
            level=settings["confidence"],
            seed=settings["seed"],
            threads=1,
        )
        effects = self._linkage_effect(found) if self.is_thinned else []
        if parents is None:
            return found, effects
        dam, sire, kept = parent_numbers(parents, list(self.part.index))
        options: dict[str, Any] = {
            "group": self.label,
            "level": settings["confidence"],
            "seed": settings["seed"],
        }
        plain = sibship_nb(dam, sire, **options)
        corrected = plain
        if numbers:
            corrected = stratified_nb(dam, sire, list(self.part.loc[kept, "family"]), numbers, **options)
            effects.append(DesignEffect(self.label, SIBSHIP, plain, corrected))
        return _with_sibship(found, corrected, "parents by DNA", _SIBS), effects

    def _take(self, rows: pd.DataFrame) -> Any:
        index = self.calls.genotypes.index
        return self.calls.genotypes.take(samples=[index[s] for s in rows.index])

    def _linkage_effect(self, found: SideBySide) -> list[DesignEffect]:
        screen = self.screens[0]
        plain = linkage_ne(
            self._take(self.part),
            group=self.label,
            screens=(screen,),
            level=self.programme.settings["confidence"],
            threads=1,
        )[0]
        row = found.rows[0]
        return [DesignEffect(self.label, row.method, plain.over_fish, row.estimate)]

    def _earlier(self) -> tuple[pd.DataFrame | None, float | None]:
        """Return the earliest sample of the line, a generation or more back, and the generations between."""
        years = float(self.programme.settings["generation_years"])
        if years <= 0 or self.line != "wild-larvae":
            return None, None  # other lines are fed from outside, so change is not drift
        group = self.part["group"].iloc[0]
        same = self.regular[(self.regular["line"] == self.line) & (self.regular["group"] == group)]
        sizes = same.groupby(same["year_class"].astype(int)).size()
        back = [y for y in sizes[sizes >= FEWEST_EARLIER].index if self.year - y >= years]
        if not back:
            return None, None
        return same[same["year_class"] == min(back)], (self.year - min(back)) / years


def numbers_for(programme: Programme, part: pd.DataFrame, year: int, line: str) -> dict[str, int]:
    """Return the tagged young of a year class and line by family, when samples can be weighed to them.

    Parameters
    ----------
    programme : Programme
        Open records.
    part : DataFrame
        Samples of the year class and line.
    year : int
        Year class.
    line : str
        Supply line.

    Returns
    -------
    dict of str to int
        Empty when samples are not of tagged young, or their families hold less than nine tenths of the young.
    """
    if not part["group"].eq("release").all():
        return {}
    families = programme.tables["families"]
    words = {"cross": "hatchery", "larval-group": "wild-larvae", "backwater": "backwater"}
    line_of = {
        f: words[k] for f, k in zip(families["family_id"], families["kind"], strict=True) if k in words
    }
    numbers = {f: n for f, n in tagged_by_family(programme, year).items() if line_of.get(f) == line}
    sampled = part["family"].value_counts()
    covered = sum(numbers.get(str(f), 0) for f in sampled.index)
    fits = all(n <= numbers.get(str(f), 0) for f, n in sampled.items())
    return numbers if fits and covered >= LEAST_COVERED * max(sum(numbers.values()), 1) else {}


def fair_sample(programme: Programme, part: pd.DataFrame, year: int, line: str) -> pd.DataFrame:
    """Return samples thinned to the numbers per family; arguments as `numbers_for`.

    All samples are returned when they cannot be thinned, or when fewer than 20 would be left.
    """
    numbers = numbers_for(programme, part, year, line)
    if not numbers:
        return part
    rows = proportional_draw(list(part["family"]), numbers, int(programme.settings["seed"]))
    return part.iloc[rows] if len(rows) >= FEWEST_THINNED else part


def tagged_by_family(programme: Programme, year: int) -> dict[str, int]:
    """Count the tagged young of a year class by family: those in stock and those released, each tag once."""
    parts = [
        table.loc[(table["year_class"] == year).fillna(False), ["tag", "family"]]
        for table in (programme.tables["stock"], programme.tables["releases"])
    ]
    both = pd.concat(parts).drop_duplicates("tag")
    counts = both.loc[both["family"] != "", "family"].value_counts()
    return {str(f): int(n) for f, n in counts.items()}


def parent_numbers(
    parents: ParentsReport, samples: list[str]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], list[str]]:
    """Return numbers of dam and sire by DNA of some samples, -1 where DNA does not say, and the samples.

    A parent that DNA cannot find because no usable sample of it exists stands under its recorded name, when
    the recorded name is of such a fish.
    """
    rows = parents.hatchery.set_index("sample")
    kept = [s for s in samples if s in rows.index]
    rows = rows.loc[kept]
    absent = set(parents.not_typed)
    sure = rows["word"].isin(["certain", "probable"])
    out = []
    for role in ("dam", "sire"):
        name = rows[role].where(sure, "")
        recorded = rows[f"recorded_{role}"]
        name = name.where(~(sure & (name == "") & recorded.isin(absent)), recorded)
        numbers = pd.factorize(name)[0].astype(np.int64)
        out.append(np.where(name.to_numpy() == "", -1, numbers).astype(np.int64))
    return out[0], out[1], kept


def _with_sibship(found: SideBySide, estimate: Estimate, how: str, rests_on: str) -> SideBySide:
    at = sum(r.method.startswith("linkage") for r in found.rows)
    row = MethodRow(f"{SIBSHIP}, {how}", "Nb", estimate, rests_on)
    rest = tuple(x for x in found.not_run if not x.startswith(SIBSHIP))
    return replace(found, rows=(*found.rows[:at], row, *found.rows[at:]), not_run=rest)


def _contributions(programme: Programme, year: int) -> dict[str, Any]:
    """Return breeders and their shares of the fry kept, from the crosses of one season."""
    crosses = programme.tables["crosses"]
    season = crosses[(crosses["season"] == year) & (crosses["dam"] != "") & (crosses["sire"] != "")]
    if season.empty:
        return {}
    kept = season["kept"].where(season["kept"].notna(), season["swim_up"]).astype("Float64").fillna(0.0)
    dams = kept.groupby(season["dam"]).sum()
    sires = kept.groupby(season["sire"]).sum()
    out: dict[str, Any] = {"n_females": len(dams), "n_males": len(sires)}
    if dams.sum() > 0:
        out["female_shares"] = list(dams[dams > 0].astype(float))
        out["male_shares"] = list(sires[sires > 0].astype(float))
    return out
