"""Make the practice programme and run the whole main job on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from broodstock.errors import UsageError
from planner.tasks.check import report_of
from planner.tasks.diversity import diversity_by
from planner.tasks.figures import write_diversity, write_kinship
from planner.tasks.kinship import living_kinship
from planner.tasks.programme import programme_of, read_and_check
from planner.tasks.release import release_plan
from planner.tasks.release_files import write_release
from planner.tasks.spawning import spawning_plan
from planner.tasks.spawning_files import write_spawning

DEMO_SETTINGS = {"time_limit": "45"}


@dataclass(frozen=True)
class DemoOutcome:
    """What the demo made.

    Parameters
    ----------
    folder : Path
        Where.
    size : str
        ``full`` or ``tiny``.
    seed : int
        Seed of the practice programme.
    lines : tuple of str
        What was found, one line a step.
    look_at : tuple of Path
        Files to open first.
    figures : dict
        Headline numbers as plain values.
    """

    folder: Path
    size: str
    seed: int
    lines: tuple[str, ...]
    look_at: tuple[Path, ...]
    figures: dict[str, Any]

    def text(self) -> str:
        """Return the outcome as words."""
        return "\n".join([*self.lines, "", "Open these files:", *(f"  {p}" for p in self.look_at)])

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "folder": str(self.folder),
            "size": self.size,
            "seed": self.seed,
            "open": [str(p) for p in self.look_at],
            **self.figures,
        }


def run_demo(
    folder: Path,
    size: Literal["full", "tiny"] = "full",
    seed: int | None = None,
    with_scans: bool = True,
    progress: Callable[[str], None] | None = None,
) -> DemoOutcome:
    """Make the practice records, check them, and plan on them.

    Parameters
    ----------
    folder : Path
        New or empty folder, or one that an earlier demo made.
    size : {'full', 'tiny'}
        Size of the programme.
    seed : int, optional
        Seed; default that of the shipped sets.
    with_scans : bool
        Make the 1.42 million scanner contacts of the full set too.
    progress : callable, optional
        Told in words what is being done.

    Returns
    -------
    DemoOutcome
        Headlines and the files to open.

    Raises
    ------
    UsageError
        If the folder holds files that no demo made.
    """
    from planner.demo.make import DEFAULT_SEED, make_demo

    say = progress or (lambda words: None)
    records = folder / "records"
    if folder.exists() and any(folder.iterdir()) and not (records / "datapackage.json").exists():
        raise UsageError(
            f"{folder}: found files that no demo made. Expected a new or empty folder. Name another."
        )
    chosen = DEFAULT_SEED if seed is None else seed
    say(f"Making the {size} practice programme from seed {chosen}")
    made = make_demo(records, size=size, seed=chosen, with_scans=with_scans)
    say("Reading and checking the records")
    findings, read, settings = read_and_check(records, DEMO_SETTINGS)
    report = report_of(records, findings, read)
    (folder / "check").mkdir(parents=True, exist_ok=True)
    report.write(folder / "check" / "findings.csv")
    programme = programme_of(records, findings, read, settings)
    say("Diversity by year class and line")
    diversity = diversity_by(programme)
    write_diversity(diversity, folder / "diversity")
    say("Kinship of the living fish in care")
    kinship = living_kinship(programme)
    write_kinship(kinship, folder / "kinship")
    say("Planning the crosses")
    spawning = spawning_plan(programme, progress=say)
    write_spawning(programme, spawning, folder / "spawning")
    say("Planning the release")
    release = release_plan(programme, progress=say)
    write_release(programme, release, folder / "release")
    levels = [f.level for f in report.findings]
    lines = (
        f"Records: {made.rows['fish']} fish, {made.samples} samples x {made.loci} loci, {made.rows['stock']} fish for "
        f"release; {levels.count('error')} errors, {levels.count('warning')} warnings, {levels.count('note')} notes",
        f"Diversity: {len(diversity.rows)} groups of year class and line",
        f"Kinship: {len(kinship.fish)} living fish, gene diversity {1 - kinship.group_mean:.4f}",
        "Spawning: " + "; ".join(f"{k} {v}" for k, v in spawning.facts()),
        "Release: " + "; ".join(f"{k} {v}" for k, v in release.facts()),
    )
    look_at = (
        folder / "spawning" / "spawning_sheet.pdf",
        folder / "release" / "release_manifest.pdf",
        folder / "release" / "families_by_site.html",
        folder / "kinship" / "kinship_heat_map.html",
        folder / "diversity" / "trend_expected_heterozygosity.html",
        folder / "check" / "findings.csv",
    )
    figures = {
        "spawning_gap": spawning.plan.gap,
        "release_gap": release.plan.gap,
        "gene_diversity": 1 - kinship.group_mean,
    }
    return DemoOutcome(folder, size, chosen, lines, tuple(p for p in look_at if p.exists()), figures)
