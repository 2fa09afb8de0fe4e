"""What if this tank, pond, water or truck were lost tonight: families, founder lines, gene diversity, copies left."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.arrays import IntArray
from broodstock.errors import UsageError
from broodstock.pedigree.lines import FounderLines, PlaceLoss, founder_lines, place_losses
from planner.tasks.known_living import KnownLiving, known_living
from planner.tasks.outputs import write_text
from planner.tasks.programme import Programme

DROPS = 1000
MOST_LISTED = 15
MOST_PLACES = 4
LOST = "lost"
EXACT = "exact for the recorded pedigree, founders taken as unrelated"


@dataclass(frozen=True)
class LossReport:
    """What a loss would take, and what every place holds that no other has.

    Parameters
    ----------
    what : str
        What is lost, in words; empty when only the ranking was asked for.
    loss : PlaceLoss or None
        Fish, gene diversity and founder genomes lost.
    gene_diversity_now : float
        Of all living fish of known family, self pairs in.
    families : DataFrame
        ``family, lost, left, left_at`` for every family that loses fish.
    lines : DataFrame
        ``line, copies, lost, left, left_at, straws`` for every founder line that loses copies, gone ones first.
    ranking : DataFrame
        One row per place: ``place, fish, families_gone, lines_gone, founder_genomes_lost, low, high,
        gene_diversity_lost``; the greatest loss first.
    notes : tuple of str
        What was assumed.
    """

    what: str
    loss: PlaceLoss | None
    gene_diversity_now: float
    families: pd.DataFrame
    lines: pd.DataFrame
    ranking: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def families_gone(self) -> list[str]:
        """Families without a living fish afterwards."""
        return list(self.families.loc[self.families["left"] == 0, "family"])

    @property
    def lines_gone(self) -> list[str]:
        """Founder lines without a living copy afterwards."""
        return list(self.lines.loc[self.lines["left"] <= 1e-9, "line"])

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Return the figures as label and value; empty for a ranking alone."""
        loss = self.loss
        if loss is None:
            return ()
        left = "no fish left" if loss.gene_diversity_left is None else f"{loss.gene_diversity_left:.5f}"
        return (
            ("Lost", self.what),
            ("Fish of known family lost", f"{loss.fish:.0f}"),
            ("Families gone", ", ".join(self.families_gone) or "none"),
            ("Founder lines gone", ", ".join(self.lines_gone) or "none"),
            ("Gene diversity now, afterwards", f"{self.gene_diversity_now:.5f}, {left}"),
            ("Founder genomes lost (95 % of simulation error)", loss.founder_genomes_lost.text(2)),
        )

    def tables(self) -> list[tuple[str, tuple[list[str], list[list[str]]]]]:
        """Return titles with headings and rows: families, lines, ranking."""
        out = []
        if self.loss is not None:
            families = [
                [r["family"], str(r["lost"]), str(r["left"]), r["left_at"]]
                for r in self.families.head(MOST_LISTED).to_dict("records")
            ]
            out.append(
                (
                    _title("Families that lose fish, least left first", len(self.families)),
                    (["family", "lost", "left", "where they are"], families),
                )
            )
            lines = [
                [r["line"], f"{r['lost']:.2f}", f"{r['left']:.2f}", r["left_at"], r["straws"]]
                for r in self.lines.head(MOST_LISTED).to_dict("records")
            ]
            out.append(
                (
                    _title(
                        "Founder lines that lose copies of the genome, greatest share first", len(self.lines)
                    ),
                    (["line", "lost", "left", "where they are", "frozen milt"], lines),
                )
            )
        ranked = [
            [
                r["place"],
                str(r["fish"]),
                str(r["families_gone"]),
                str(r["lines_gone"]),
                f"{r['founder_genomes_lost']:.2f} ({r['low']:.2f} to {r['high']:.2f})",
                "all" if r["gene_diversity_lost"] is None else f"{r['gene_diversity_lost']:+.5f}",
            ]
            for r in self.ranking.head(MOST_LISTED).to_dict("records")
        ]
        head = ["place", "fish", "families gone", "lines gone", "founder genomes lost", "gene diversity lost"]
        out.append((_title("Every place, the greatest loss first", len(self.ranking)), (head, ranked)))
        return out

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        loss = self.loss
        return {
            "lost": self.what,
            "fish": None if loss is None else loss.fish,
            "families_gone": self.families_gone,
            "lines_gone": self.lines_gone,
            "gene_diversity_now": {"value": self.gene_diversity_now, "method": EXACT},
            "gene_diversity_left": None if loss is None else loss.gene_diversity_left,
            "founder_genomes_lost": None if loss is None else loss.founder_genomes_lost.as_dict(),
            "families": self.families.to_dict("records"),
            "lines": self.lines.to_dict("records"),
            "ranking": self.ranking.to_dict("records"),
            "notes": list(self.notes),
        }


def loss_report(
    programme: Programme,
    units: Sequence[str] = (),
    sites: Sequence[str] = (),
    buildings: Sequence[str] = (),
    load: Sequence[str] = (),
) -> LossReport:
    """Say what the loss of places, or of the fish on a truck, would take.

    Parameters
    ----------
    programme : Programme
        Open records.
    units, sites, buildings : sequence of str
        Places lost together; all units of a building.
    load : sequence of str
        Fish of the stock on a truck that is lost, by name or tag.

    Returns
    -------
    LossReport
        Without any of these a ranking of all places alone.

    Raises
    ------
    UsageError
        If a place or fish is not in the records, or no living fish is.
    """
    living = known_living(programme)
    wanted, what = _places_named(programme, units, sites, buildings)
    seed = int(programme.settings["seed"])
    all_losses = _losses(living, seed)
    lines = founder_lines(living.parents, living.place, len(living.places))
    ranking = _ranking(living, lines, all_losses)
    now = _diversity_now(all_losses)
    notes = _notes(programme, living)
    if not wanted and not load:
        return LossReport("", None, now, _no_families(), _no_lines(), ranking, notes)
    aboard = _aboard(programme, living, load)
    if load:
        what.append(f"a load of {len(set(load))} fish")
    moved = _relabelled(living, wanted, aboard)
    if not (moved.place == 0).any():
        nothing = "no living fish of known family is there"
        return LossReport(
            f"{', '.join(what)}: {nothing}", None, now, _no_families(), _no_lines(), ranking, notes
        )
    loss = _losses(moved, seed)[0]
    moved_lines = founder_lines(moved.parents, moved.place, len(moved.places))
    return LossReport(
        ", ".join(what),
        loss,
        now,
        _family_table(moved),
        _line_table(programme, moved, moved_lines),
        ranking,
        notes,
    )


def read_load(path: Path) -> list[str]:
    """Return the fish of a truck from a CSV file with a column ``stock_id``, ``fish`` or ``tag``.

    Raises
    ------
    UsageError
        If the file has neither column or no row.
    """
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    for column in ("stock_id", "fish", "tag"):
        if column in table.columns and len(table):
            return list(table[column])
    raise UsageError(
        f"{path}: found columns {', '.join(table.columns)} and {len(table)} rows. Expected a column stock_id or tag and "
        "one row per fish, for example the rows of release_fish.csv that go on one truck."
    )


def write_loss(report: LossReport, folder: Path) -> list[Path]:
    """Write the tables; each file whole or not at all."""
    out = []
    for name in ("families", "lines", "ranking"):
        out.append(folder / f"loss_{name}.csv")
        write_text(out[-1], getattr(report, name).to_csv(index=False, lineterminator="\n"))
    return out


def _title(words: str, number: int) -> str:
    return f"{words} ({MOST_LISTED} of {number}):" if number > MOST_LISTED else f"{words}:"


def _places_named(
    programme: Programme, units: Sequence[str], sites: Sequence[str], buildings: Sequence[str]
) -> tuple[set[str], list[str]]:
    """Return the places lost and words for them."""
    table = programme.tables["units"]
    wanted: set[str] = set()
    words = []
    for kind, names, known in (
        ("unit", units, list(table["unit_id"])),
        ("site", sites, list(programme.tables["sites"]["site_id"])),
        ("building", buildings, sorted(set(table["building"]) - {""})),
    ):
        for name in names:
            if name not in known:
                near = difflib.get_close_matches(name, known, 1)
                hint = f" Did you mean {near[0]!r}?" if near else ""
                raise UsageError(f"{kind} lost: found {name!r}. Expected one of {', '.join(known)}.{hint}")
            words.append(f"{kind} {name}")
            if kind == "building":
                wanted |= {f"unit {u}" for u in table.loc[table["building"] == name, "unit_id"]}
            else:
                wanted.add(f"{kind} {name}")
    return wanted, words


def _aboard(programme: Programme, living: KnownLiving, load: Sequence[str]) -> set[int]:
    """Return the rows of fish on a truck."""
    stock = programme.stock_here
    name_of = dict(zip(stock["tag"], stock["stock_id"], strict=True))
    name_of |= {f: f for f in stock["stock_id"]}
    row_of = {living.names[i]: int(i) for i in living.alive}
    out = set()
    for fish in load:
        if fish not in name_of:
            raise UsageError(f"load: found {fish!r}. Expected the name or tag of a fish in stock.csv.")
        out.add(row_of[name_of[fish]])
    return out


def _relabelled(living: KnownLiving, wanted: set[str], aboard: set[int]) -> KnownLiving:
    """Give the fish that are lost the place 0; all other places keep their names."""
    code = np.array([0 if p in wanted else k + 1 for k, p in enumerate(living.places)], dtype=np.int32)
    place: IntArray = np.where(living.place >= 0, code[living.place], -1).astype(np.int32)
    place[sorted(aboard)] = 0
    return replace(living, place=place, places=(LOST, *living.places))


def _losses(living: KnownLiving, seed: int) -> list[PlaceLoss]:
    return place_losses(living.parents, living.place, len(living.places), DROPS, np.random.default_rng(seed))


def _diversity_now(losses: Sequence[PlaceLoss]) -> float:
    """Return the gene diversity of all fish: what is left without a place plus what the place takes."""
    for loss in losses:
        if loss.gene_diversity_left is not None and loss.gene_diversity_lost is not None:
            return loss.gene_diversity_left + loss.gene_diversity_lost
    raise UsageError(
        "loss: found living fish in one place only. Expected at least two places: whatever happens there takes all. "
        "Bring fish to a second place."
    )


def _line_copies(living: KnownLiving, lines: FounderLines) -> tuple[list[str], np.ndarray]:
    """Return copies by place of each founder line; the unknown parents of a group are one line."""
    roles = {-1: "", 0: "unknown dam of ", 1: "unknown sire of "}
    names = [
        roles[int(side)] + living.names[row]
        for row, side in zip(lines.founders.row, lines.founders.unknown_side, strict=True)
    ]
    order = sorted(set(names))
    at = {n: k for k, n in enumerate(order)}
    copies = np.zeros((len(order), lines.copies.shape[1]))
    np.add.at(copies, [at[n] for n in names], lines.copies)
    alive = copies.sum(axis=1) > 0
    return [n for n, here in zip(order, alive, strict=True) if here], copies[alive]


def _family_counts(living: KnownLiving) -> tuple[list[str], np.ndarray]:
    rows = [i for i in living.alive.tolist() if living.family[i]]
    names = sorted({living.family[i] for i in rows})
    at = {n: k for k, n in enumerate(names)}
    counts = np.zeros((len(names), len(living.places)), dtype=np.int64)
    for i in rows:
        counts[at[living.family[i]], living.place[i]] += 1
    return names, counts


def _ranking(living: KnownLiving, lines: FounderLines, losses: Sequence[PlaceLoss]) -> pd.DataFrame:
    _, copies = _line_copies(living, lines)
    _, counts = _family_counts(living)
    records = []
    for k, (place, loss) in enumerate(zip(living.places, losses, strict=True)):
        genomes = loss.founder_genomes_lost
        records.append(
            {
                "place": place,
                "fish": round(loss.fish),
                "families_gone": int((counts[:, k] == counts.sum(axis=1)).sum()),
                "lines_gone": int((copies[:, k] >= copies.sum(axis=1) * (1 - 1e-12)).sum()),
                "founder_genomes_lost": genomes.value,
                "low": genomes.low,
                "high": genomes.high,
                "gene_diversity_lost": loss.gene_diversity_lost,
            }
        )
    table = pd.DataFrame(records)
    by = ["founder_genomes_lost", "gene_diversity_lost", "place"]
    return table.sort_values(by, ascending=[False, False, True]).reset_index(drop=True)


def _family_table(living: KnownLiving) -> pd.DataFrame:
    names, counts = _family_counts(living)
    records = [
        {
            "family": name,
            "lost": int(row[0]),
            "left": int(row[1:].sum()),
            "left_at": _where(living.places[1:], row[1:], "{:.0f}"),
        }
        for name, row in zip(names, counts, strict=True)
        if row[0] > 0
    ]
    if not records:
        return _no_families()
    return pd.DataFrame(records).sort_values(["left", "family"]).reset_index(drop=True)


def _line_table(programme: Programme, living: KnownLiving, lines: FounderLines) -> pd.DataFrame:
    names, copies = _line_copies(living, lines)
    milt = programme.tables["frozen_milt"].groupby("fish_id")["straws"].sum()
    records = [
        {
            "line": name,
            "copies": float(row.sum()),
            "lost": float(row[0]),
            "left": max(0.0, float(row[1:].sum())),
            "left_at": _where(living.places[1:], row[1:], "{:.2f}"),
            "straws": f"{int(milt[name])} straws" if name in milt.index and milt[name] > 0 else "",
        }
        for name, row in zip(names, copies, strict=True)
        if row[0] > 0
    ]
    table = pd.DataFrame(records, columns=list(_no_lines().columns))
    table["share"] = table["lost"] / table["copies"]
    table = table.sort_values(["share", "lost", "line"], ascending=[False, False, True])
    return table.drop(columns="share").reset_index(drop=True)


def _where(places: Sequence[str], numbers: np.ndarray, form: str) -> str:
    """Return places with their numbers, the greatest first."""
    order = [int(k) for k in np.argsort(-numbers, kind="stable") if numbers[k] > 0]
    words = [f"{places[k]}: {form.format(numbers[k])}" for k in order[:MOST_PLACES]]
    more = len(order) - MOST_PLACES
    rest = "" if more <= 0 else " and 1 more place" if more == 1 else f" and {more} more places"
    return ", ".join(words) + rest or "nowhere"


def _no_families() -> pd.DataFrame:
    return pd.DataFrame(columns=["family", "lost", "left", "left_at"])


def _no_lines() -> pd.DataFrame:
    return pd.DataFrame(columns=["line", "copies", "lost", "left", "left_at", "straws"])


def _notes(programme: Programme, living: KnownLiving) -> tuple[str, ...]:
    notes = [
        f"Gene diversity: {EXACT}, self pairs in. Founder genomes: {DROPS} gene drops, seed "
        f"{programme.settings['seed']}.",
        "A larval or backwater group counts as a line of its own with as many unknown parents as its kinship "
        f"({programme.settings['larval_group_kinship']}) says.",
    ]
    if living.uncounted:
        total = sum(living.uncounted.values())
        notes.append(
            f"{total} residents of unknown family ({', '.join(sorted(living.uncounted))}) are not counted: which genes "
            "they carry is not known."
        )
    return tuple(notes)
