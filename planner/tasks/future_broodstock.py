"""Choose which fish to keep as parents of the next generations, and write the list."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray, FloatArray
from broodstock.errors import UsageError
from planner.optimise.kinship_bound import SquareForm, pedigree_form
from planner.optimise.release.assign import assign_fish
from planner.optimise.selection.data import NO_LIMIT, FamilyRules, Rule, SelectionData
from planner.optimise.selection.naive import PlainChoice, equal_choice, random_choice
from planner.optimise.selection.solve import Selection, choose
from planner.provenance import Provenance
from planner.tasks.candidates import holds_on
from planner.tasks.choice_stock import (
    StockFamilies,
    chosen_or_error,
    form_of,
    kinds_of,
    line_rules,
    line_shares,
    living_kinship,
    proof_of,
    sex_codes,
    stock_families,
)
from planner.tasks.outputs import write_text
from planner.tasks.plan_file import write_plan_file
from planner.tasks.programme import Programme

SETTINGS_USED = ("living_weight", "larval_group_kinship", "gap", "time_limit")


@dataclass(frozen=True)
class KeepWishes:
    """What is asked of the fish to keep.

    Parameters
    ----------
    number : int
        Fish to keep.
    per_family : int or None
        Most fish of a family; None for no limit.
    least_females, least_males : int
        Fewest fish known to be of the sex.
    line_copies : float
        Expected copies of every founder line's genome to keep, or all there are.
    must : tuple of str
        Fish (name or tag), or ``FAMILY=NUMBER``, that must be kept.
    must_not : tuple of str
        Fish, families or units of which none is kept.
    among : str
        ``stock``: fish of the rearing groups; ``brood``: single broodfish.
    """

    number: int
    per_family: int | None = None
    least_females: int = 0
    least_males: int = 0
    line_copies: float = 1.0
    must: tuple[str, ...] = ()
    must_not: tuple[str, ...] = ()
    among: str = "stock"


@dataclass(frozen=True)
class KeepOutcome:
    """Fish to keep, with proof and comparison.

    Parameters
    ----------
    chosen : Selection
        The choice; it has passed the recheck.
    families : DataFrame
        One row per family (or broodfish): ``family, available, kept, kinship_to_kept, why``.
    fish : DataFrame
        One row per candidate fish with ``kept``.
    plain : tuple of PlainChoice
        Choices without optimisation.
    lines_kept, lines : int
        Founder lines with at least one expected copy among the kept fish, and among all candidates.
    living : float
        Fish of the living group the choice was weighed with.
    notes : tuple of str
        What was left out or assumed.
    provenance : Provenance
        Inputs, settings, proof.
    """

    chosen: Selection
    families: pd.DataFrame
    fish: pd.DataFrame
    plain: tuple[PlainChoice, ...]
    lines_kept: int
    lines: int
    living: float
    notes: tuple[str, ...]
    provenance: Provenance

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return the figures of the choice as label and value."""
        r, kinship = self.chosen.report, self.chosen.kinship
        assert kinship is not None
        assert r.objective is not None
        joint = self.chosen.joint
        return (
            ("Fish kept", f"{int(self.fish['kept'].sum())} of {len(self.fish)}"),
            ("Mean kinship of the kept fish (self pairs in)", f"{kinship:.5f}"),
            ("Gene diversity of the kept fish", f"{1 - kinship:.5f}"),
            ("Founder genome equivalents of the kept fish", f"{1 / (2 * kinship):.1f}"),
            *(
                [(f"Mean kinship together with the {self.living:.0f} living broodfish", f"{joint:.5f}")]
                if joint is not None
                else []
            ),
            ("Families kept", f"{int((self.families['kept'] > 0).sum())} of {len(self.families)}"),
            ("Founder lines with a copy among the kept", f"{self.lines_kept} of {self.lines}"),
            ("Objective, proven bound", f"{r.objective:.6f}, {r.bound:.6f}"),
            ("Proven gap", "none" if r.gap is None else f"{r.gap:.3%}"),
        )

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and one row per family that keeps fish."""
        rows = [
            [r["family"], str(r["available"]), str(r["kept"]), f"{r['kinship_to_kept']:.5f}"]
            for r in self.families.to_dict("records")
            if r["kept"]
        ]
        return ["family", "there are", "keep", "mean kinship to the kept"], rows

    def comparison(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows: this choice beside choices without optimisation."""
        assert self.chosen.kinship is not None
        assert self.chosen.report.objective is not None
        rows = [["this choice", f"{self.chosen.report.objective:.5f}", f"{self.chosen.kinship:.5f}", "", "0"]]
        for p in self.plain:
            spread = "" if p.low == p.high else f"{p.low:.5f} to {p.high:.5f}"
            rows.append([p.name, f"{p.objective:.5f}", f"{p.kinship:.5f}", spread, str(p.rules_broken)])
        return ["choice", "objective", "mean kinship", "95 % of draws", "rules broken"], rows

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "report": self.chosen.report.as_dict(),
            "mean_kinship": self.chosen.kinship,
            "mean_kinship_with_living": self.chosen.joint,
            "gene_diversity": self.chosen.gene_diversity,
            "founder_lines_kept": self.lines_kept,
            "founder_lines": self.lines,
            "families": self.families.to_dict("records"),
            "fish": list(self.fish.loc[self.fish["kept"], "fish"]),
            "without_optimisation": [p.__dict__ for p in self.plain],
            "notes": list(self.notes),
            "provenance": self.provenance.as_dict(),
        }


@dataclass
class _Case:
    """Candidates on their way to the arrays."""

    fish: pd.DataFrame
    families: StockFamilies
    form: SquareForm
    lines: list[str]
    line_shares: FloatArray
    living: tuple[float, FloatArray, float]
    notes: list[str] = field(default_factory=list)


def keep_plan(
    programme: Programme, wishes: KeepWishes, progress: Callable[[str], None] | None = None
) -> KeepOutcome:
    """Choose the fish to keep: least mean kinship of the kept fish, and of all with the living broodfish.

    Parameters
    ----------
    programme : Programme
        Open records.
    wishes : KeepWishes
        Numbers and rules.
    progress : callable, optional
        Told in words what is being done.

    Returns
    -------
    KeepOutcome

    Raises
    ------
    NoChoiceError
        If the rules cannot hold together (exit code 4) or time ran out without a choice (exit code 5).
    UsageError
        If a name is not known, or a number makes no sense.
    ValueRangeError
        If there is no candidate.
    """
    case = _stock(programme) if wishes.among == "stock" else _brood(programme)
    _leave_out(programme, case, wishes)
    must, family_must = _musts(case, wishes)
    case.fish["must"] = case.fish["fish"].isin(must)
    kinds = kinds_of(case.fish, ("family", "unit", "sex", "must"))
    data = _data(programme, case, kinds, wishes, family_must)
    if progress is not None:
        progress(f"Choosing {wishes.number} of {len(case.fish)} fish")
    settings = programme.settings
    seed = int(settings["seed"]) % (2**31 - 1)
    chosen = choose(
        data, gap=float(settings["gap"]), time_limit=float(settings["time_limit"]), seed=seed, form=case.form
    )
    numbers = chosen_or_error("Fish to keep", chosen)
    case.fish["kept"] = _drawn(case.fish, numbers, seed)
    t = data.family_numbers(numbers)
    provenance = Provenance(
        kind="fish to keep",
        inputs=programme.fingerprint,
        made_on=programme.today.isoformat(),
        seed=int(settings["seed"]),
        settings=settings.used(SETTINGS_USED) | {k: _plain(v) for k, v in wishes.__dict__.items()},
        version=1,
        proof=proof_of(chosen),
    )
    copies = t @ case.line_shares
    rng = np.random.default_rng(seed)
    return KeepOutcome(
        chosen,
        _family_table(data, numbers),
        case.fish[["fish", "tag", "family", "year_class", "sex", "unit", "total_length_mm", "kept"]],
        (random_choice(data, rng), equal_choice(data)),
        int((copies >= 1 - 1e-9).sum()),
        len(case.lines),
        case.living[0],
        tuple(case.notes),
        provenance,
    )


def write_keep(outcome: KeepOutcome, folder: Path) -> list[Path]:
    """Write the families, the fish and the plan file; each file whole or not at all."""
    out = [folder / "keep_families.csv", folder / "keep_fish.csv"]
    write_text(out[0], outcome.families.to_csv(index=False, lineterminator="\n"))
    write_text(out[1], outcome.fish.to_csv(index=False, lineterminator="\n"))
    out.append(write_plan_file(folder / "keep_plan.json", outcome.as_dict()))
    return out


def _plain(value: Any) -> Any:
    return ", ".join(value) if isinstance(value, tuple) else "none" if value is None else value


def _stock(programme: Programme) -> _Case:
    stock = programme.stock_here
    if stock.empty:
        raise UsageError(
            "fish to keep: found no fish in stock.csv. Expected at least one. Add the rearing groups."
        )
    fish = stock.rename(columns={"stock_id": "fish"}).copy()
    families = stock_families(programme, sorted(set(fish["family"])))
    lines, shares = line_shares(programme, families)
    return _Case(
        fish, families, form_of(programme, families), lines, shares, living_kinship(programme, families)
    )


def _brood(programme: Programme) -> _Case:
    """Single living broodfish, each a family of its own with its exact kinship."""
    from broodstock.pedigree.founders import founder_shares
    from broodstock.pedigree.kinship import kinship_between

    table = programme.tables["fish"]
    fish = table[table["status"].isin(["brood", "hold"])].rename(columns={"fish_id": "fish"}).copy()
    if fish.empty:
        raise UsageError("fish to keep: found no living broodfish in fish.csv. Expected at least one.")
    fish["family"] = fish["fish"]
    names = sorted(fish["fish"])
    pedigree, F = programme.pedigree, programme.inbreeding
    rows_ = pedigree.rows(names)
    K = kinship_between(pedigree.parents, rows_, rows_, F)
    families = StockFamilies(
        tuple(names), np.zeros((len(names), 0)), np.zeros(len(names)), K, np.diag(K).copy()
    )
    form = pedigree_form(pedigree.parents, rows_, F)
    all_rows = founder_shares(pedigree.parents, programme.living_weights())
    shares = np.zeros((len(names), all_rows.row.size))
    for i, row in enumerate(rows_):
        shares[i] = founder_shares(pedigree.parents, np.eye(1, len(pedigree), int(row))[0]).share
    used = shares.any(axis=0)
    lines = [pedigree.ids[r] for r in all_rows.row[used]]
    return _Case(fish, families, form, lines, shares[:, used], (0.0, np.zeros(len(names)), 0.0))


def _leave_out(programme: Programme, case: _Case, wishes: KeepWishes) -> None:
    """Take out fish on hold and fish that must not be kept."""
    held = holds_on(programme.tables["holds"], programme.today)
    fish = case.fish
    on_hold = np.array(
        [
            ("fish", f) in held or ("family", g) in held
            for f, g in zip(fish["fish"], fish["family"], strict=True)
        ]
    )
    if on_hold.any():
        case.notes.append(f"{int(on_hold.sum())} fish on hold (fish or family) are not candidates.")
    barred = np.zeros(len(fish), dtype=bool)
    for name in wishes.must_not:
        here = (
            (fish["fish"] == name) | (fish["tag"] == name) | (fish["family"] == name) | (fish["unit"] == name)
        ).to_numpy()
        if not here.any():
            raise UsageError(
                f"--not: found {name!r}. Expected a fish, tag, family or unit among the candidates."
            )
        barred |= here
    case.fish = fish[~(on_hold | barred)].copy()


def _musts(case: _Case, wishes: KeepWishes) -> tuple[set[str], dict[str, int]]:
    fish = case.fish
    single: set[str] = set()
    families: dict[str, int] = {}
    for text in wishes.must:
        name, sign, number = text.partition("=")
        if sign:
            if name not in set(fish["family"]) or not number.isdigit():
                raise UsageError(
                    f"--must: found {text!r}. Expected FAMILY=NUMBER of a family among the candidates."
                )
            families[name] = int(number)
            continue
        here = fish.loc[(fish["fish"] == name) | (fish["tag"] == name), "fish"]
        if here.empty:
            raise UsageError(
                f"--must: found {text!r}. Expected a fish, a tag or FAMILY=NUMBER among the candidates."
            )
        single.add(str(here.iloc[0]))
    return single, families


def _data(
    programme: Programme, case: _Case, kinds: pd.DataFrame, wishes: KeepWishes, family_must: dict[str, int]
) -> SelectionData:
    place = case.families.position()
    family: BigIntArray = np.array([place[f] for f in kinds["family"]], dtype=np.int64)
    number: BigIntArray = np.array(kinds["number"], dtype=np.int64)
    sex = sex_codes(kinds["sex"])
    rules = [
        Rule(
            "must",
            f"family {name}: keep at least {least} ({int(number[kinds['family'] == name].sum())} there are)",
            np.array(kinds["family"] == name, dtype=np.float64),
            float(least),
        )
        for name, least in family_must.items()
    ]
    for code, word, least in ((0, "females", wishes.least_females), (1, "males", wishes.least_males)):
        if least > 0:
            there = int(number[sex == code].sum())
            words = f"at least {least} {word} ({there} known {word} among the candidates)"
            rules.append(Rule("sex", words, (sex == code).astype(np.float64), float(least)))
    if wishes.among == "stock":
        rules += _space(programme, kinds)
    rules += line_rules(case.lines, case.line_shares, family, number, wishes.line_copies)
    living, near, own = case.living
    return SelectionData.make(
        case.families.kinship,
        case.families.self_kinship,
        family,
        number,
        wishes.number,
        sex=sex,
        least=np.where(kinds["must"], number, 0),
        families=FamilyRules(most=NO_LIMIT if wishes.per_family is None else wishes.per_family),
        rules=tuple(rules),
        living=living,
        living_kinship=near,
        living_mean=own,
        living_weight=float(programme.settings["living_weight"]),
        family_names=case.families.names,
        kind_names=tuple(
            f"{f} in {u or 'no unit'}" for f, u in zip(kinds["family"], kinds["unit"], strict=True)
        ),
    )


def _space(programme: Programme, kinds: pd.DataFrame) -> list[Rule]:
    """Return one rule per unit with a known capacity: kept fish and broodfish there fit into it."""
    units = programme.tables["units"].set_index("unit_id")["capacity_fish"]
    fish = programme.tables["fish"]
    brood = fish.loc[fish["status"].isin(["brood", "hold"]), "unit"].value_counts()
    out = []
    for unit in sorted(set(kinds["unit"]) & set(units.dropna().index)):
        room = max(0, int(units[unit]) - int(brood.get(unit, 0)))
        factors = (kinds["unit"] == unit).to_numpy(dtype=np.float64)
        out.append(Rule("space", f"unit {unit}: room for {room} fish", factors, high=float(room)))
    return out


def _drawn(fish: pd.DataFrame, numbers: BigIntArray, seed: int) -> np.ndarray:
    """Draw the single fish of each kind by lot, so that no one selects for size; return True for kept."""
    assigned = assign_fish(
        numbers[:, None], fish["kind"].to_numpy(), fish["sex"].replace("", "unknown").to_numpy(), seed=seed
    )
    return np.asarray(assigned.site == 0)


def _family_table(data: SelectionData, numbers: BigIntArray) -> pd.DataFrame:
    t = data.family_numbers(numbers)
    available = np.bincount(data.family, weights=data.available, minlength=data.n_families)
    table = pd.DataFrame(
        {
            "family": list(data.family_names),
            "available": available.astype(int),
            "kept": t.astype(int),
            "kinship_to_kept": data.kinship @ t / t.sum(),
        }
    )
    table = table[table["available"] > 0]
    return table.sort_values(["kept", "family"], ascending=[False, True]).reset_index(drop=True)
