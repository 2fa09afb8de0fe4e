"""Choose the fish that found, or join, the group of a new or renovated water."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.effective_size.decay import diversity_kept
from broodstock.errors import UsageError
from broodstock.estimates import Estimate
from broodstock.pedigree.gene_drop import drop_genes
from planner.optimise.release.assign import assign_fish
from planner.optimise.selection.data import FamilyRules, Rule, SelectionData
from planner.optimise.selection.founding import chance_to_carry, expected_adults, ne_of_sexes
from planner.optimise.selection.naive import PlainChoice, equal_choice, random_choice
from planner.optimise.selection.solve import Selection, choose
from planner.provenance import Provenance
from planner.tasks.choice_stock import (
    StockFamilies,
    chosen_or_error,
    form_of,
    kinds_of,
    proof_of,
    sex_codes,
    stock_families,
)
from planner.tasks.known_living import known_living
from planner.tasks.outputs import write_text
from planner.tasks.plan_file import write_plan_file
from planner.tasks.programme import Programme
from planner.tasks.release_data import release_inputs, season_of
from planner.tasks.rows import rows
from planner.tasks.survival_curves import curve_of
from planner.tasks.water_state import water_states

SETTINGS_USED = ("larval_group_kinship", "predator_min_length_mm", "survey_valid_days", "gap", "time_limit")
DROPS = 2000
FREQUENCIES = (0.01, 0.05, 0.1)
STOCK = "stock"
COLUMNS = ["fish", "tag", "family", "year_class", "sex", "total_length_mm", "unit", "source"]


@dataclass(frozen=True)
class FounderWishes:
    """What is asked of a founder group.

    Parameters
    ----------
    site : str
        Water that receives it.
    number : int
        Fish.
    families : int
        Fewest families.
    least, most : int
        Fish of each family that takes part.
    sexes_apart : bool
        Fish of one family are of one sex, so that sibs do not meet; unknown sex counts as a third.
    known_sex : bool
        Fish of known sex only, at least 40 % of each sex.
    class_share : float
        Largest share of one year class, where there are several.
    min_length_mm : float
        Shortest fish; the site's own limit holds too.
    with_refuge : bool
        Residents of refuges may be moved too, at most half of each family there.
    """

    site: str
    number: int
    families: int = 10
    least: int = 2
    most: int = 4
    sexes_apart: bool = True
    known_sex: bool = False
    class_share: float = 0.75
    min_length_mm: float = 0.0
    with_refuge: bool = True


@dataclass(frozen=True)
class FounderOutcome:
    """A founder group with what it is worth.

    Parameters
    ----------
    chosen : Selection
        The choice; it has passed the recheck.
    groups : DataFrame
        One row per family, year class, sex and source that gives fish: with ``available`` and ``number``.
    fish : DataFrame
        The single fish of the stock, drawn by lot; residents of refuges are caught there.
    measures : tuple of (str, Estimate)
        What the group is worth, each with its method.
    plain : tuple of PlainChoice
        Choices without optimisation.
    residents : int
        Fish of known family that live at the site already and count in the objective.
    notes : tuple of str
        What was assumed or left out.
    provenance : Provenance
        Inputs, settings, proof.
    """

    chosen: Selection
    groups: pd.DataFrame
    fish: pd.DataFrame
    measures: tuple[tuple[str, Estimate], ...]
    plain: tuple[PlainChoice, ...]
    residents: int
    notes: tuple[str, ...]
    provenance: Provenance

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return the figures of the group as label and value."""
        r = self.chosen.report
        assert r.objective is not None
        assert r.bound is not None
        return (
            ("Fish", str(int(self.groups["number"].sum()))),
            ("Families", str(self.groups["family"].nunique())),
            ("Year classes", ", ".join(f"{y}: {n}" for y, n in self._classes().items())),
            *(
                (name, e.text(3 if e.value is not None and abs(e.value) < 2 else 1))
                for name, e in self.measures
            ),
            ("Objective, proven bound", f"{r.objective:.6f}, {r.bound:.6f}"),
            ("Proven gap", "none" if r.gap is None else f"{r.gap:.3%}"),
        )

    def _classes(self) -> dict[int, int]:
        out: dict[int, int] = {}
        for year, number in zip(self.groups["year_class"], self.groups["number"], strict=True):
            out[int(year)] = out.get(int(year), 0) + int(number)
        return dict(sorted(out.items()))

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per line of the group."""
        lines = [
            [r["family"], str(r["year_class"]), r["sex"], r["source"], str(r["available"]), str(r["number"])]
            for r in self.groups.to_dict("records")
        ]
        return ["family", "year class", "sex", "from", "there are", "take"], lines

    def comparison(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows: this group beside groups without optimisation."""
        assert self.chosen.kinship is not None
        out = [["this group", f"{self.chosen.kinship:.5f}", "", "0"]]
        for p in self.plain:
            spread = "" if p.low == p.high else f"{p.low:.5f} to {p.high:.5f}"
            out.append([p.name, f"{p.kinship:.5f}", spread, str(p.rules_broken)])
        return ["group", "mean kinship", "95 % of draws", "rules broken"], out

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "report": self.chosen.report.as_dict(),
            "mean_kinship": self.chosen.kinship,
            "mean_kinship_with_residents": self.chosen.joint,
            "residents_of_known_family": self.residents,
            "measures": {name: e.as_dict() for name, e in self.measures},
            "groups": self.groups.to_dict("records"),
            "fish": list(self.fish["fish"]),
            "without_optimisation": [p.__dict__ for p in self.plain],
            "notes": list(self.notes),
            "provenance": self.provenance.as_dict(),
        }


def founder_plan(
    programme: Programme,
    wishes: FounderWishes,
    day: dt.date | None = None,
    progress: Callable[[str], None] | None = None,
) -> FounderOutcome:
    """Choose a founder group of least mean kinship and say what it is worth.

    Parameters
    ----------
    programme : Programme
        Open records.
    wishes : FounderWishes
        Site, number and rules.
    day : date, optional
        Day of the move; default the setting ``release_day``.
    progress : callable, optional
        Told in words what is being done.

    Returns
    -------
    FounderOutcome

    Raises
    ------
    NoChoiceError
        If the rules cannot hold together (exit code 4) or time ran out without a choice (exit code 5).
    UsageError
        If the site is not known, a number makes no sense, or no fish may go there.
    """
    _check(wishes)
    day = day or programme.settings.day("release_day")
    site = _site(programme, wishes.site)
    notes: list[str] = []
    fish = _candidates(programme, wishes, site, day, notes)
    if fish.empty:
        raise UsageError(
            f"founder group for {site.name}: found no fish that may go there. Expected at least one. "
            + " ".join(notes)
        )
    living = programme.residents_now
    living = living[(living["site_id"] == site.site_id) & (living["family"] != "")]
    names = sorted(set(fish["family"]) | set(living["family"]))
    families = stock_families(programme, names)
    kinds = kinds_of(fish, ("family", "year_class", "sex", "source"))
    data = _data(programme, wishes, site, kinds, families, living, notes)
    if progress is not None:
        progress(f"Choosing {wishes.number} of {len(fish)} fish that may go to {site.name}")
    settings = programme.settings
    seed = int(settings["seed"]) % (2**31 - 1)
    chosen = choose(
        data,
        gap=float(settings["gap"]),
        time_limit=float(settings["time_limit"]),
        seed=seed,
        form=form_of(programme, families),
    )
    numbers = chosen_or_error(f"Founder group for {site.name}", chosen)
    assigned = assign_fish(
        numbers[:, None], fish["kind"].to_numpy(), fish["sex"].replace("", "unknown").to_numpy(), seed=seed
    )
    taken = fish[assigned.site == 0]
    kinds["available"], kinds["number"] = data.available, numbers
    groups = kinds[kinds["number"] > 0].drop(columns="kind").sort_values(["family", "sex", "source"])
    rng = np.random.default_rng(seed)
    return FounderOutcome(
        chosen,
        groups.reset_index(drop=True),
        taken[COLUMNS].reset_index(drop=True),
        _measures(programme, chosen, data, taken, site, day, seed, notes),
        (random_choice(data, rng), equal_choice(data)),
        int(data.living),
        tuple(notes),
        Provenance(
            kind="founder group",
            inputs=programme.fingerprint,
            made_on=programme.today.isoformat(),
            seed=int(settings["seed"]),
            settings=settings.used(SETTINGS_USED) | dict(wishes.__dict__) | {"day": day.isoformat()},
            version=1,
            proof=proof_of(chosen),
        ),
    )


def write_founders(outcome: FounderOutcome, folder: Path) -> list[Path]:
    """Write the groups, the fish and the plan file; each file whole or not at all."""
    out = [folder / "founder_groups.csv", folder / "founder_fish.csv"]
    write_text(out[0], outcome.groups.to_csv(index=False, lineterminator="\n"))
    write_text(out[1], outcome.fish.to_csv(index=False, lineterminator="\n"))
    out.append(write_plan_file(folder / "founder_plan.json", outcome.as_dict()))
    return out


def _check(wishes: FounderWishes) -> None:
    if wishes.number < 1 or wishes.families < 1 or not 1 <= wishes.least <= wishes.most:
        raise UsageError(
            f"founder group: found {wishes.number} fish, {wishes.families} families, {wishes.least} to {wishes.most} "
            "fish of each. Expected at least one fish and family, and no least above the most."
        )
    if not 0 < wishes.class_share <= 1:
        raise UsageError(
            f"--class-share: found {wishes.class_share}. Expected a share above 0 and at most 1."
        )


def _site(programme: Programme, name: str) -> Any:
    table = programme.tables["sites"]
    for row in rows(table):
        if row.site_id == name:
            return row
    near = difflib.get_close_matches(name, table["site_id"], 1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    raise UsageError(f"--site: found {name!r}. Expected one of {', '.join(table['site_id'])}.{hint}")


def _candidates(
    programme: Programme, wishes: FounderWishes, site: Any, day: dt.date, notes: list[str]
) -> pd.DataFrame:
    """Return the single fish that may go: stock, and half of each family of refuges."""
    stock = release_inputs(programme, day).fish.rename(columns={"stock_id": "fish"})
    shortest = max(wishes.min_length_mm, 0 if pd.isna(site.min_length_mm) else float(site.min_length_mm))
    state = water_states(programme, day)[site.site_id]
    shortest = max(shortest, state.least_mm)
    if state.predators != "none":
        notes.append(f"{site.name}: {state.predator_words}; no fish under {shortest:.0f} mm.")
    risk = 9 if pd.isna(site.water_risk) else int(site.water_risk)
    reasons = (
        ("on hold or without a health certificate", stock["health_hold"].to_numpy(dtype=bool)),
        ("not surely of the programme's species", stock["other_species"].to_numpy(dtype=bool)),
        ("of another sex by DNA than recorded", stock["sex_doubt"].to_numpy(dtype=bool)),
        ("under a withdrawal time", stock["withdrawal_hold"].to_numpy(dtype=bool)),
        (f"from water of a higher risk than {risk}", (stock["water_risk"] > risk).to_numpy()),
        (f"shorter than {shortest:.0f} mm", (stock["total_length_mm"] < shortest).to_numpy()),
        ("of unknown sex", (wishes.known_sex & ~stock["sex"].isin(["female", "male"])).to_numpy()),
    )
    out = np.zeros(len(stock), dtype=bool)
    for words, which in reasons:
        if (which & ~out).any():
            notes.append(f"{int((which & ~out).sum())} fish of the stock are no candidates: {words}.")
        out |= which
    stock = stock[~out].copy()
    stock["source"] = STOCK
    stock["sex"] = stock["sex"].replace("", "unknown")
    stock["year_class"] = stock["year_class"].astype(int)
    moved = _refuge(programme, site, risk, notes) if wishes.with_refuge and not wishes.known_sex else []
    return pd.concat([stock[COLUMNS], pd.DataFrame(moved, columns=COLUMNS)], ignore_index=True)


def _refuge(programme: Programme, site: Any, risk: int, notes: list[str]) -> list[dict[str, Any]]:
    """List half of each family of the refuges whose water may go to the site."""
    sites = programme.tables["sites"]
    low = sites[(sites["kind"] == "refuge") & (sites["water_risk"].fillna(9) <= risk)]
    low = low[low["site_id"] != site.site_id]
    year = dict(
        zip(
            programme.tables["families"]["family_id"], programme.tables["families"]["year_class"], strict=True
        )
    )
    out = []
    for row in rows(programme.residents_now):
        if row.site_id not in set(low["site_id"]) or not row.family:
            continue
        out += [
            {
                "fish": f"{row.site_id} {row.family} {k + 1}",
                "tag": "",
                "family": row.family,
                "year_class": int(year[row.family]),
                "sex": "unknown",
                "total_length_mm": np.nan,
                "unit": "",
                "source": row.site_id,
            }
            for k in range(int(row.number) // 2)
        ]
    if out:
        notes.append(
            f"{len(out)} residents of refuges ({', '.join(low['site_id'])}) are candidates, at most half of each family; "
            "their lengths, sexes and health papers are to be looked at when they are caught."
        )
    return out


def _data(
    programme: Programme,
    wishes: FounderWishes,
    site: Any,
    kinds: pd.DataFrame,
    families: StockFamilies,
    living: pd.DataFrame,
    notes: list[str],
) -> SelectionData:
    place = families.position()
    number = np.array(kinds["number"], dtype=np.int64)
    sex = sex_codes(kinds["sex"])
    rules = []
    classes = sorted(set(kinds["year_class"]))
    if len(classes) > 1 and wishes.class_share < 1:
        most = float(np.floor(wishes.class_share * wishes.number + 1e-9))
        rules += [
            Rule(
                "year-class",
                f"at most {most:.0f} fish of year class {y}",
                np.array(kinds["year_class"] == y, dtype=np.float64),
                high=most,
            )
            for y in classes
        ]
    elif len(classes) == 1:
        notes.append(
            f"All candidates are of year class {classes[0]}: brothers and sisters of one spawning. Add fish of another "
            "year class in a later year."
        )
    if wishes.known_sex:
        least = float(np.ceil(0.4 * wishes.number - 1e-9))
        for code, word in ((0, "females"), (1, "males")):
            there = int(number[sex == code].sum())
            words = f"at least {least:.0f} {word} ({there} known {word} may go)"
            rules.append(Rule("sex", words, np.array(sex == code, dtype=np.float64), least))
    everyone = programme.residents_now
    present = int(everyone.loc[everyone["site_id"] == site.site_id, "number"].sum())
    if not pd.isna(site.capacity_fish):
        room = max(0, int(site.capacity_fish) - present)
        words = f"{site.name} has room for {room} fish"
        rules.append(Rule("room", words, np.ones(len(kinds)), high=float(room)))
    r = np.zeros(len(families.names))
    for row in rows(living):
        r[place[row.family]] += int(row.number)
    L = float(r.sum())
    own = 0.0
    if L > 0:
        K = families.kinship
        own = float(r @ K @ r + r @ (families.self_kinship - np.diag(K))) / L**2
        notes.append(
            f"{L:.0f} residents of known family count: the group and they together are kept unrelated."
        )
    return SelectionData.make(
        families.kinship,
        families.self_kinship,
        np.array([place[f] for f in kinds["family"]], dtype=np.int64),
        number,
        wishes.number,
        sex=sex,
        families=FamilyRules(wishes.least, wishes.most, wishes.families, wishes.sexes_apart),
        rules=tuple(rules),
        living=L,
        living_kinship=families.kinship @ r / L if L > 0 else None,
        living_mean=own,
        living_weight=1.0 if L > 0 else 0.0,
        family_names=families.names,
        kind_names=tuple(
            f"{f} {s} from {w}"
            for f, s, w in zip(kinds["family"], kinds["sex"], kinds["source"], strict=True)
        ),
    )


def _measures(
    programme: Programme,
    chosen: Selection,
    data: SelectionData,
    taken: pd.DataFrame,
    site: Any,
    day: dt.date,
    seed: int,
    notes: list[str],
) -> tuple[tuple[str, Estimate], ...]:
    """Return what the group is worth, each number with its method."""
    kinship = chosen.kinship
    assert kinship is not None
    n = len(taken)
    exact = "exact for the recorded pedigree, founders taken as unrelated"
    sexes = taken["sex"].value_counts()
    unknown = int(sexes.get("unknown", 0))
    if unknown:
        notes.append(
            f"{unknown} fish of unknown sex: brother and sister of one family may be among them. Sex them by DNA, or "
            "ask for --known-sex."
        )
    ne = ne_of_sexes(*(int(sexes.get(s, 0)) for s in ("female", "male", "unknown")))
    own = float(data.self_kinship[data.family] @ chosen.numbers) / n if chosen.numbers is not None else 0.5
    source = data.available / data.available.sum()
    t = np.bincount(data.family, weights=source, minlength=data.n_families)
    source_kinship = float(t @ data.kinship @ t)
    among = (kinship * n - own) / (n - 1) if n > 1 else None
    out = [
        ("Mean kinship of the group (self pairs in)", Estimate(kinship, method=exact, n_used=n)),
        ("Effective founders (1 / twice mean kinship)", Estimate(1 / (2 * kinship), method=exact, n_used=n)),
        (
            "Gene diversity kept at founding",
            Estimate(
                (1 - kinship) / (1 - source_kinship),
                method="gene diversity of the group over that of the fish that may go, " + exact,
                n_used=n,
            ),
        ),
        ("Effective size from the sexes", ne),
    ]
    if ne.value is not None and ne.value >= 0.5:
        out.append(
            ("Gene diversity kept in the first generation there", diversity_kept(ne, 1, str(site.name)))
        )
    if among is not None:
        out.append(
            (
                "Expected inbreeding of the young, mating at random",
                Estimate(among, method="mean kinship of two different fish of the group, " + exact, n_used=n),
            )
        )
    out += _alleles(programme, taken, seed)
    curve = curve_of(programme, site, season_of(day))
    lengths = taken["total_length_mm"].dropna().to_numpy(dtype=np.float64)
    if curve is None or lengths.size == 0:
        reason = f"no survival curve for {site.name} in {season_of(day)}" if curve is None else "no lengths"
        out.append(("Adults after the first year", Estimate.not_estimable(reason, n_used=n)))
    else:
        out.append(
            ("Adults after the first year", expected_adults(curve.at(lengths), curve.error_at(lengths)))
        )
        if lengths.size < n:
            notes.append(
                f"Adults after the first year: the {n - lengths.size} fish without a length are not in the sum."
            )
    return tuple(out)


def _alleles(programme: Programme, taken: pd.DataFrame, seed: int) -> list[tuple[str, Estimate]]:
    """Return the chance to carry founder alleles of some frequencies, by gene drop."""
    living = known_living(programme)
    row_of = {living.names[i]: int(i) for i in living.alive}
    rows_ = np.array([row_of[f] for f in taken["fish"]], dtype=np.int32)
    genes = drop_genes(living.parents, rows_, DROPS, np.random.default_rng(seed)).genes
    return [
        (f"Chance to carry a founder allele of frequency {p:g}", chance_to_carry(genes, p))
        for p in FREQUENCIES
    ]
