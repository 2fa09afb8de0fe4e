"""Make the invented practice programme in a folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from broodstock.errors import UsageError
from planner.demo.inbox import fill_inbox
from planner.demo.planted import plant, withdrawal_days
from planner.demo.planted_row import Planted
from planner.demo.records import Demo, build_demo
from planner.demo.scale import SCALES, Size
from planner.demo.truth import truth_tables
from planner.demo.writing import write_demo

DEFAULT_SEED = 20241020


@dataclass(frozen=True)
class DemoReport:
    """What was made.

    Parameters
    ----------
    folder : Path
        Where.
    size : {'full', 'tiny'}
        Size.
    seed : int
        Seed.
    rows : dict of str to int
        Rows by table.
    samples, loci : int
        Genotyped samples and SNP loci.
    planted : tuple of Planted
        Planted errors, by number.
    planned_breeders, true_breeders : float
        Effective breeders of today's year class as planned, and exactly as they are.
    files : tuple of str
        Files relative to the folder.
    """

    folder: Path
    size: Size
    seed: int
    rows: dict[str, int]
    samples: int
    loci: int
    planted: tuple[Planted, ...]
    planned_breeders: float
    true_breeders: float
    files: tuple[str, ...]

    def text(self) -> str:
        """Return the report as words."""
        numbers = len({p.number for p in self.planted})
        lines = [
            f"{self.folder}: {self.size} practice programme, seed {self.seed}; everything in it is invented.",
            ", ".join(f"{n} {name}" for name, n in self.rows.items()),
            f"{self.samples} samples typed at {self.loci} SNP loci",
            f"{numbers} kinds of error planted in {len(self.planted)} rows; truth/planted.csv lists them.",
        ]
        return "\n".join(lines)


def make_demo(
    folder: str | Path,
    size: Size = "full",
    seed: int = DEFAULT_SEED,
    with_scans: bool = True,
    compress: bool = False,
) -> DemoReport:
    """Make the invented practice programme: records, genotypes, field files and the hidden truth.

    Parameters
    ----------
    folder : str or Path
        Target; made when it does not exist. It must be empty.
    size : {'full', 'tiny'}
        The full programme or the tiny set.
    seed : int
        Seed, 0 or more. The same size and seed give the same bytes.
    with_scans : bool
        Make the table of reader contacts too (1.42 million rows in the full set).
    compress : bool
        Write tables and calls with gzip.

    Returns
    -------
    DemoReport
        What was made.

    Raises
    ------
    UsageError
        If the size is unknown, the seed negative, or the folder holds files.
    OSError
        If the folder cannot be written.
    """
    folder = Path(folder)
    if size not in SCALES:
        raise UsageError(f"demo, size: found {size!r}. Expected 'full' or 'tiny'. Choose one of them.")
    if isinstance(seed, bool) or not isinstance(seed, int) or seed < 0:
        raise UsageError(f"demo, seed: found {seed!r}. Expected a whole number of 0 or more. Choose another.")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(
            f"demo, folder {folder}: found files there. Expected an empty or new folder. Choose another name."
        )
    demo, truth, inbox, planted = demo_in_memory(size, seed, with_scans)
    files = write_demo(demo, truth, inbox, folder, compress)
    rows = {name: len(frame) for name, frame in demo.tables.items()}
    if demo.contacts is not None:
        rows["scans"] = len(demo.contacts)
    breeders = truth["breeders"]
    now = breeders[breeders["year_class"].eq(demo.scale.last_year) & breeders["line"].eq("hatchery")]
    return DemoReport(
        folder,
        size,
        seed,
        rows,
        demo.snps.n_samples,
        demo.snps.n_loci,
        tuple(planted),
        demo.scale.nb_planned,
        float(now["effective_breeders"].iloc[0]),
        tuple(files),
    )


def demo_in_memory(
    size: Size, seed: int = DEFAULT_SEED, with_scans: bool = True
) -> tuple[Demo, dict[str, pd.DataFrame], dict[str, list[dict[str, str]]], list[Planted]]:
    """Build the programme without writing it: records with planted errors, truth, field files, planted list."""
    demo = build_demo(SCALES[size], seed, with_scans)
    withdrawal_days(demo)
    planted = plant(demo)
    inbox, more = fill_inbox(demo)
    planted = sorted([*planted, *more], key=lambda p: (p.number, p.file, p.row))
    return demo, truth_tables(demo, planted), inbox, planted
