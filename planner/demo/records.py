"""From the hidden history to the records of the programme: nets, readers, laboratory and the office."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from broodstock.arrays import BigIntArray
from broodstock.genotypes.genotype_set import GenotypeSet
from planner.demo.capture_numbers import netted
from planner.demo.captures import Caught, Swimmers, swimmers
from planner.demo.days import day
from planner.demo.demo_settings import settings_table
from planner.demo.field_tables import (
    captures_table,
    larval_takes_table,
    permits_table,
    releases_table,
    residents_table,
)
from planner.demo.gene_drop import TrueGenes, drop_genes
from planner.demo.history import History, run_history
from planner.demo.laboratory import Wells, shift_columns, type_samples
from planner.demo.loci import Panel, loci_table, make_panel
from planner.demo.lots import lots_tables
from planner.demo.samples import Samples, take_samples
from planner.demo.scale import Scale
from planner.demo.scan_history import read_tags
from planner.demo.scans import Contacts, Deployments, deploy, deployment_table
from planner.demo.station_tables import (
    certificates_table,
    claims_table,
    crosses_table,
    families_table,
    fish_table,
    frozen_milt_table,
    holds_table,
    identifiers_table,
    ripeness_table,
    stock_table,
)
from planner.demo.stock import units_table
from planner.demo.tag_history import Tags, tag_brood_and_releases, tag_in_water_and_stock
from planner.demo.tags import TagBook
from planner.demo.waters import sites_table, survival_table

STREAMS = (
    "wild",
    "larvae",
    "hatchery",
    "releases",
    "lives",
    "stock",
    "tags",
    "nets",
    "readers",
    "panel",
    "genes",
    "samples",
    "laboratory",
    "office",
    "planted",
    "lots",
)
"""Independent random streams; a change in one part leaves the draws of the others alone."""


@dataclass
class Demo:
    """The whole practice programme in memory: records, and the truth behind them.

    Attributes
    ----------
    scale : Scale
        Sizes.
    seed : int
        Seed.
    rngs : dict of str to Generator
        Random streams.
    history : History
        Hidden truth.
    tags : Tags
        Codes.
    fish : Swimmers
        Fish in the water.
    caught : Caught
        Captures.
    effort : float
        Netting effort that was needed.
    panel : Panel
        Loci.
    genes : TrueGenes
        Error-free genes.
    samples : Samples
        Samples and the fish they should be of.
    wells : Wells
        What is really in each well.
    snps, microsatellites, true_snps : GenotypeSet
        Calls; what a perfect laboratory would have found in the same wells.
    spells : Deployments
        Deployments of readers.
    contacts : Contacts or None
        Scans; None when they were not asked for.
    ghosts : DataFrame
        Tags of dead fish and shed tags that are still read.
    unknown : ndarray of str
        Tags read that nobody knows.
    tables : dict of str to DataFrame
        The records.
    lab_faults : dict of str to list of str
        Samples with planted laboratory faults.
    lot_truth : DataFrame
        True families of lots.
    """

    scale: Scale
    seed: int
    rngs: dict[str, np.random.Generator]
    history: History
    tags: Tags
    fish: Swimmers
    caught: Caught
    effort: float
    panel: Panel
    genes: TrueGenes
    samples: Samples
    wells: Wells
    snps: GenotypeSet
    microsatellites: GenotypeSet | None
    true_snps: GenotypeSet
    spells: Deployments
    contacts: Contacts | None
    ghosts: pd.DataFrame
    unknown: np.ndarray
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    lab_faults: dict[str, list[str]] = field(default_factory=dict)
    lot_truth: pd.DataFrame = field(default_factory=pd.DataFrame)


def build_demo(scale: Scale, seed: int, with_scans: bool = True) -> Demo:
    """Simulate the programme and write its records in memory, before errors are planted in them.

    Parameters
    ----------
    scale : Scale
        Sizes.
    seed : int
        Seed, 0 or more.
    with_scans : bool
        Make the contacts of remote readers too.

    Returns
    -------
    Demo
        Records and truth.
    """
    children = np.random.SeedSequence(seed).spawn(len(STREAMS))
    rngs = {name: np.random.default_rng(child) for name, child in zip(STREAMS, children, strict=True)}
    history = run_history(scale, rngs)
    book = TagBook(rngs["tags"], 1000 if scale.name == "full" else 40)
    tags = tag_brood_and_releases(history, scale, book)
    fish = swimmers(history, tags.legacy, rngs["nets"])
    b = history.brood
    always = int(np.flatnonzero(history.released.row == b.rows[b.names.index(history.faults["legacy"])])[0])
    fish.catchability[always] = 50.0
    caught, effort = netted(fish, scale, always, rngs["nets"])
    tag_in_water_and_stock(tags, history, scale, caught, book, rngs["tags"])
    stock_ids = np.array([f"Y24-{i + 1:04d}" for i in range(len(history.stock))], dtype=object)
    samples = take_samples(history, scale, stock_ids, fish, caught, caught.on, rngs["samples"])
    wells, lab_faults = _load_wells(samples, scale, rngs["planted"])
    panel = make_panel(scale, rngs["panel"])
    used = np.concatenate([samples.row, wells.row, wells.second])
    genes = drop_genes(history.fish, np.unique(used[used >= 0]), panel, scale, rngs["genes"])
    snps, microsatellites, true_snps = type_samples(wells, samples.table, genes, panel, rngs["laboratory"])
    spells = deploy(scale, rngs["readers"])
    contacts, ghosts, unknown = read_tags(
        fish, history, tags, caught, spells, scale, book, with_scans, rngs["readers"]
    )
    demo = Demo(
        scale, seed, rngs, history, tags, fish, caught, effort, panel, genes, samples, wells, snps,
        microsatellites, true_snps, spells, contacts, ghosts, unknown, {}, lab_faults,
    )  # fmt: skip
    demo.tables = _tables(demo, book, stock_ids)
    return demo


def _load_wells(
    samples: Samples, scale: Scale, rng: np.random.Generator
) -> tuple[Wells, dict[str, list[str]]]:
    """Put tissue in the wells, with the laboratory faults that are planted."""
    table = samples.table
    row = samples.row.copy()
    second = np.full(len(row), -1, dtype=np.int64)
    faults: dict[str, list[str]] = {}
    names = table["sample_id"].to_numpy(dtype=object)
    first_hand = table["replicate_of"].eq("").to_numpy() & ~np.isin(names, table["replicate_of"].to_numpy())
    stock = np.flatnonzero(table["stock_id"].ne("").to_numpy() & first_hand)
    if 20 in scale.planted:
        plate, columns = _stock_columns(table, 4 if scale.name == "full" else 2)
        row = shift_columns(row, table["plate"].to_numpy(), table["well"].to_numpy(), plate, columns)
        inside = table["plate"].eq(plate) & table["well"].str[1:].astype(int).isin(columns)
        faults["shifted"] = [str(s) for s in names[inside.to_numpy()]]
        stock = np.setdiff1d(stock, np.flatnonzero(inside.to_numpy()))
    if 18 in scale.planted:
        larvae = np.flatnonzero(table["group"].eq("larva").to_numpy() & first_hand)
        a, b = (int(i) for i in rng.choice(larvae, size=2, replace=False))
        second[a] = row[b]
        faults["two fish"] = [str(names[a])]
    if 19 in scale.planted:
        family = table["family"].to_numpy()
        larvae = np.flatnonzero(table["group"].eq("larva").to_numpy() & first_hand & (second < 0))
        can = stock if len(set(family[stock])) > 1 else larvae
        a = int(rng.choice(can))
        b = int(rng.choice(can[samples.row[can] != samples.row[a]]))
        row[b] = row[a]
        faults["same clip"] = sorted([str(names[a]), str(names[b])])
    return Wells(row, second), faults


def _stock_columns(table: pd.DataFrame, n: int) -> tuple[str, list[int]]:
    """Return the plate and neighbouring columns that hold most fish of the stock and least brood."""
    frame = pd.DataFrame(
        {
            "plate": table["plate"],
            "column": table["well"].str[1:].astype(int),
            "score": (table["stock_id"].ne("") & table["family"].str.startswith("H")).astype(int)
            - 5 * table["group"].isin(["brood", "founder"]),
        }
    )
    score = frame.groupby(["plate", "column"])["score"].sum()
    best: tuple[int, str, int] = (-10_000, "", 0)
    for plate in sorted(set(frame["plate"])):
        of_plate = score[plate]
        for first in range(1, 14 - n):
            columns = range(first, first + n)
            if all(c in of_plate.index for c in columns):
                total = int(of_plate.loc[list(columns)].sum())
                best = max(best, (total, plate, -first))
    return best[1], list(range(-best[2], -best[2] + n))


def _tables(demo: Demo, book: TagBook, stock_ids: np.ndarray) -> dict[str, pd.DataFrame]:
    """Return all tables of the records but the scans."""
    scale, history, tags = demo.scale, demo.history, demo.tags
    rng = demo.rngs["office"]
    released = history.released
    name_of = {history.brood.rows[i]: history.brood.names[i] for i in range(len(history.brood))}
    sizes = {
        name_of[int(released.row[k])]: (float(released.length_mm[k]), float(released.weight_g[k]))
        for k in np.flatnonzero(released.line == "wild")
    }
    first_tag = np.full(len(demo.fish), "", dtype=object)
    first_tag[: len(released)] = tags.released
    caught_wild = _wild_alive(history)
    takes = larval_takes_table(history)
    samples = demo.samples.table.copy()
    samples["haplotype"] = _haplotypes(demo, rng)
    releases = releases_table(history, scale, tags.released)
    lots, group_moves, demo.lot_truth = lots_tables(history, scale, releases, demo.rngs["lots"])
    return {
        "settings": settings_table(scale),
        "sites": sites_table(scale),
        "survival": survival_table(scale),
        "units": units_table(),
        "tags_bought": book.table(),
        "fish": fish_table(history, tags.brood, sizes, rng),
        "identifiers": identifiers_table(history, tags.given),
        "families": families_table(history),
        "crosses": crosses_table(history),
        "stock": stock_table(history.stock, stock_ids, tags.stock, scale.last_year),
        "ripeness": ripeness_table(history, scale, rng),
        "frozen_milt": frozen_milt_table(history, scale, rng),
        "holds": holds_table(history, scale),
        "certificates": certificates_table(scale),
        "parent_claims": claims_table(history, rng),
        "releases": releases,
        "captures": captures_table(
            history, demo.fish, demo.caught, first_tag, tags.water, demo.samples.of_capture, rng
        ),
        "residents": residents_table(history, scale, caught_wild),
        "larval_takes": takes,
        "permits": permits_table(
            scale, int(takes.loc[takes["year_class"] == scale.last_year, "number"].sum())
        ),
        "deployments": deployment_table(demo.spells),
        "samples": samples,
        "loci": loci_table(demo.panel),
        "lots": lots,
        "group_moves": group_moves,
    }


def _wild_alive(history: History) -> int:
    """Return the wild adults still in the lake at the census of March 2024."""
    on = day("2024-03-18")
    taken = set(history.founders.rows.tolist())
    rows: BigIntArray = history.wild.adults
    free = np.array([int(r) not in taken for r in rows])
    return int((free & (history.fish.died[rows] > on)).sum())


def _haplotypes(demo: Demo, rng: np.random.Generator) -> np.ndarray:
    """Return haplotypes read: of all founders and broodfish, half of the larvae, a third of the others."""
    table = demo.samples.table
    share = np.select(
        [table["group"].isin(["founder", "brood"]), table["group"].eq("larva"), table["group"].eq("control")],
        [1.1, 0.5, 0.0],
        0.33,
    )
    read = (rng.random(len(table)) < share) & (demo.wells.row >= 0)
    out = np.full(len(table), "", dtype=object)
    at = demo.genes.place(demo.wells.row[read])
    kept = demo.genes.haplotype[at]
    out[read] = [f"h{h + 1:02d}" if h >= 0 else "" for h in kept]
    return out
