"""Fish of the stock and their families as arrays for choices: shares of parents, kinship, kinds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray, FloatArray
from planner.optimise.kinship_bound import SquareForm
from planner.optimise.selection.data import Rule
from planner.optimise.selection.family_form import family_form
from planner.optimise.selection.solve import Selection
from planner.tasks.no_plan import NoPlanError
from planner.tasks.programme import Programme

SEX_CODE = {"female": 0, "male": 1}


@dataclass(frozen=True)
class StockFamilies:
    """Families of young fish and how they hang together with the pedigree.

    Parameters
    ----------
    names : tuple of str
        Family identifiers.
    shares : ndarray, float64, shape (n_families, n_fish)
        One half for each known parent.
    extra : ndarray, float64, shape (n_families,)
        Kinship within the family that does not come through known parents.
    kinship : ndarray, float64, shape (n_families, n_families)
        Kinship of two distinct fish, one of each family.
    self_kinship : ndarray, float64, shape (n_families,)
        Kinship of a fish with itself, half of one plus the kinship of its parents.
    """

    names: tuple[str, ...]
    shares: FloatArray
    extra: FloatArray
    kinship: FloatArray
    self_kinship: FloatArray

    def position(self) -> dict[str, int]:
        """Return the position of each family."""
        return {name: k for k, name in enumerate(self.names)}


def stock_families(programme: Programme, names: Sequence[str]) -> StockFamilies:
    """Return families by their parents.

    Parameters
    ----------
    programme : Programme
        Open records.
    names : sequence of str
        Family identifiers. As in `Programme.family_kinship`, a family that is no cross is a group of unknown
        parents, and an unknown parent of a cross is one unrelated founder.

    Returns
    -------
    StockFamilies
    """
    from broodstock.pedigree.kinship import kinship_between_pairs

    table = programme.tables["families"]
    crossed = table[table["kind"] == "cross"]
    parents_of = dict(
        zip(crossed["family_id"], zip(crossed["dam"], crossed["sire"], strict=True), strict=True)
    )
    index = programme.pedigree.index
    shares = np.zeros((len(names), len(programme.pedigree)))
    extra = np.zeros(len(names))
    pairs, of = [], []
    for i, name in enumerate(names):
        if name not in parents_of:
            extra[i] = programme.settings["larval_group_kinship"]
            continue
        known = [index.get(parent) for parent in parents_of[name]]
        for parent in known:
            if parent is None:
                extra[i] += 0.125
            else:
                shares[i, parent] += 0.5
        if None not in known:
            pairs.append(known)
            of.append(i)
    inbred = np.zeros(len(names))
    if pairs:
        both = np.array(pairs, dtype=np.int32)
        inbred[of] = kinship_between_pairs(programme.pedigree.parents, both[:, 0], both[:, 1])
    kinship = programme.family_kinship(list(names))
    return StockFamilies(tuple(names), shares, extra, kinship, 0.5 * (1 + inbred))


def form_of(programme: Programme, families: StockFamilies) -> SquareForm:
    """Return t'Kt over the families as squares of gene flows."""
    return family_form(programme.pedigree.parents, families.shares, families.extra, programme.inbreeding)


def living_kinship(programme: Programme, families: StockFamilies) -> tuple[float, FloatArray, float]:
    """Return the living broodfish beside the stock.

    Returns
    -------
    float, ndarray of float64 shape (n_families,), float
        Number of living fish in care, mean kinship of a fish of each family with them, and their own mean kinship
        with self pairs.
    """
    from broodstock.pedigree.kinship import group_kinship, mean_kinship

    weights = programme.living_weights()
    if not weights.any():
        return 0.0, np.zeros(len(families.names)), 0.0
    parents, F = programme.pedigree.parents, programme.inbreeding
    with_each = mean_kinship(parents, weights, F)
    own = group_kinship(parents, weights, None, F, self_pairs=True)
    return float(weights.sum()), families.shares @ with_each, own


def line_shares(programme: Programme, families: StockFamilies) -> tuple[list[str], FloatArray]:
    """Return the founder lines of some families.

    Returns
    -------
    list of str, ndarray of float64 shape (n_families, n_lines)
        Names, and the share of a family's genes that comes from each line; a family without known parents is a
        line of its own.
    """
    from broodstock.pedigree.founders import founder_shares

    ids = programme.pedigree.ids
    roles = {-1: "", 0: "unknown dam of ", 1: "unknown sire of "}
    shares: dict[str, dict[int, float]] = {}
    for i, row in enumerate(families.shares):
        known = float(row.sum())
        if known > 0:
            founders = founder_shares(programme.pedigree.parents, row)
            for f, side, p in zip(founders.row, founders.unknown_side, founders.share, strict=True):
                if p > 0:
                    shares.setdefault(roles[int(side)] + ids[f], {})[i] = known * float(p)
        if known < 1:
            shares.setdefault(f"unknown parents of {families.names[i]}", {})[i] = 1 - known
    lines = sorted(shares)
    out = np.zeros((len(families.names), len(lines)))
    for k, line in enumerate(lines):
        for i, p in shares[line].items():
            out[i, k] = p
    return lines, out


def kinds_of(fish: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Sort fish into kinds; return one row per kind with ``number``, and write ``kind`` into `fish`."""
    fish["kind"] = fish.groupby(list(by), sort=True, dropna=False).ngroup()
    kinds = fish.groupby("kind", sort=True).agg(**{c: (c, "first") for c in by}, number=("kind", "size"))
    return kinds.reset_index()


def sex_codes(words: pd.Series) -> np.ndarray:
    """Return 0 for female, 1 for male, -1 for any other word."""
    return words.map(SEX_CODE).fillna(-1).astype(np.int64).to_numpy()


class NoChoiceError(NoPlanError):
    """No choice can meet the rules (exit code 4), or none was found in time (exit code 5)."""

    code = "no-choice"


def chosen_or_error(what: str, chosen: Selection) -> BigIntArray:
    """Return the numbers of a choice.

    Parameters
    ----------
    what : str
        What was to be chosen, for the message.
    chosen : Selection
        Outcome of the search.

    Raises
    ------
    NoChoiceError
        If there are none; the message names the rules that cannot hold together, or says that time ran out.
    """
    if chosen.numbers is not None:
        return chosen.numbers
    if chosen.conflict is not None:
        raise NoChoiceError(f"{what}: {chosen.conflict.text()}", 4)
    raise NoChoiceError(
        f"{what}: stopped ({chosen.report.status}) without a choice. Give it more time with --set time_limit=SECONDS, "
        "or ask for less.",
        5,
    )


def line_rules(
    lines: Sequence[str], shares: FloatArray, family: BigIntArray, available: BigIntArray, copies: float
) -> tuple[Rule, ...]:
    """Return one rule per founder line: keep a number of copies of its genome, or all there are if fewer.

    Parameters
    ----------
    lines : sequence of str
        Names of the lines.
    shares : ndarray, float64, shape (n_families, n_lines)
        Share of a family's genes from each line.
    family, available : ndarray, int64, shape (n_kinds,)
        Family and number of each kind.
    copies : float
        Expected copies (whole genomes) to keep of every line; 0 for no rule.
    """
    out = []
    for k, line in enumerate(lines):
        factors = shares[family, k]
        there = float(factors @ available)
        low = min(copies, there) - 1e-9
        if copies > 0 and there > 0:
            words = f"founder line {line}: at least {low:.3g} copies of its genome ({there:.3g} there are)"
            out.append(Rule("line", words, factors, low))
    return tuple(out)


def proof_of(chosen: Selection) -> dict[str, str]:
    """Return status, value, bound and gap as words for the provenance."""
    r = chosen.report
    return {
        "status": str(r.status),
        "value": "none" if r.objective is None else f"{r.objective:.6f}",
        "bound": "none" if r.bound is None else f"{r.bound:.6f}",
        "gap": "none" if r.gap is None else f"{r.gap:.4%}",
    }
