"""The release manifest: what each water gets and why, the fish by family and size, and the tag list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock

TAGS_PER_ROW = 3


@dataclass(frozen=True)
class SiteLine:
    """One water of the plan.

    Parameters
    ----------
    site_id, name : str
        As in the records.
    bodies : int
        Fish sent.
    kilograms : str
        Their mass in words.
    capacity : str
        Free places before and after, in words.
    survivors : str
        Expected first-year survivors with interval.
    kinship : str
        Mean kinship of residents and survivors, before and after.
    families : str
        Effective number of families, before and after.
    groups : sequence of (family, size class, number, from unit)
        What is sent.
    tags : sequence of (tag, family, length mm)
        Every fish.
    notes : sequence of str
        Reasons and warnings.
    """

    site_id: str
    name: str
    bodies: int
    kilograms: str
    capacity: str
    survivors: str
    kinship: str
    families: str
    groups: Sequence[tuple[str, str, str, str]] = ()
    tags: Sequence[tuple[str, str, str]] = ()
    notes: Sequence[str] = field(default_factory=tuple)


def release_manifest(
    programme: str,
    day: str,
    sites: Sequence[SiteLine],
    not_sent: Sequence[tuple[str, str, str]],
    refused: Sequence[tuple[str, str]],
    facts: Sequence[tuple[str, str]],
    comparison: Sequence[tuple[str, ...]],
    provenance: Provenance,
    with_tags: bool = True,
    fallbacks: Sequence[tuple[str, ...]] = (),
    changes: Sequence[str] = (),
) -> Sheet:
    """Lay out the release manifest.

    Parameters
    ----------
    programme, day : str
        Heading.
    sites : sequence of SiteLine
        Waters that receive fish.
    not_sent : sequence of (str, str, str)
        Water, state and reason for every water that receives none.
    refused : sequence of (str, str)
        Fish (counts of a family and size class) no water may take, and why.
    facts : sequence of (str, str)
        Figures of the plan.
    comparison : sequence of tuple of str
        Rows that set this plan beside plans without optimisation.
    provenance : Provenance
        What the plan was made from.
    with_tags : bool
        Print every PIT code.
    fallbacks : sequence of tuple of str
        Water, fish, and the waters that could take them, the best first.
    changes : sequence of str
        What differs from the version this one voids.

    Returns
    -------
    Sheet
        Ready for `planner.reports.html` or `planner.reports.pdf`.
    """
    blocks: list[Block] = [
        TableBlock(
            "Waters and numbers",
            (
                ColumnSpec("Water", 1.5),
                ColumnSpec("Fish", 0.6, "right"),
                ColumnSpec("Mass", 0.9, "right"),
                ColumnSpec("Room before, after", 1.1, "right"),
                ColumnSpec("Expected first-year survivors", 1.5, "right"),
                ColumnSpec("Mean kinship before, after", 1.5, "right"),
                ColumnSpec("Effective families before, after", 1.3, "right"),
                ColumnSpec("Released", 0.8, blank=True),
                ColumnSpec("Dead", 0.6, blank=True),
            ),
            tuple(
                (s.name, str(s.bodies), s.kilograms, s.capacity, s.survivors, s.kinship, s.families, "", "")
                for s in sites
            ),
            note="Mean kinship is among residents and expected survivors at family level, self pairs left out. "
            "Survivors: range from the standard error of the survival curve, 95 %.",
        ),
        TableBlock(
            "This plan beside plans without optimisation",
            (
                ColumnSpec("Plan", 1.6),
                ColumnSpec("Kinship objective", 1.0, "right"),
                ColumnSpec("Kinship within sites", 1.1, "right"),
                ColumnSpec("Kinship across sites", 1.1, "right"),
                ColumnSpec("Expected survivors", 1.5, "right"),
                ColumnSpec("Rules broken", 1.8),
            ),
            tuple(comparison),
        ),
    ]
    if changes:
        blocks.insert(0, TextBlock("Changed against the version before", tuple(changes), boxed=True))
    if fallbacks:
        blocks.append(
            TableBlock(
                "If a water is red today",
                (
                    ColumnSpec("Water", 1.3),
                    ColumnSpec("Fish", 0.5, "right"),
                    *(ColumnSpec(f"{k}. instead", 1.6) for k in range(1, len(fallbacks[0]) - 1)),
                ),
                tuple(fallbacks),
                note="How many of its fish each water could take, the best first. Print a new version before a "
                "truck turns: 'kinshoal release FOLDER --closed SITE'.",
                small=True,
            )
        )
    if not_sent:
        blocks.append(
            TableBlock(
                "Waters that receive none, and why",
                (ColumnSpec("Water", 1.4), ColumnSpec("State", 1.2), ColumnSpec("Why", 4)),
                tuple(not_sent),
            )
        )
    if refused:
        blocks.append(
            TableBlock(
                "Fish no water may take, and why",
                (ColumnSpec("Fish and families", 1.6), ColumnSpec("Why", 4)),
                tuple(refused),
                small=True,
            )
        )
    for site in sites:
        blocks += _site_blocks(site, with_tags)
    blocks.append(
        CheckBlock(
            "At each water",
            (
                "Permit and health certificate in the cab; truck cleaned and checked",
                "Water temperature in truck ______ and at the shore ______; dissolved oxygen ______",
                "Tags scanned: ______ of the number on this sheet; dead counted and scanned",
                "Time of release ______   by ____________   second person ____________",
            ),
        )
    )
    return Sheet(
        "Release manifest",
        " · ".join(x for x in (programme, day) if x),
        provenance.mark,
        provenance.version,
        tuple(facts),
        tuple(blocks),
        cautions_for(
            ("names", "transport", "release", "water_order", "boats", "heat", "privacy", "decision")
        ),
        provenance_lines(provenance),
    )


def _site_blocks(site: SiteLine, with_tags: bool) -> list[Block]:
    out: list[Block] = [
        TableBlock(
            f"{site.name}: {site.bodies} fish",
            (
                ColumnSpec("Family", 1.3),
                ColumnSpec("Size class", 1.2),
                ColumnSpec("Fish", 0.6, "right"),
                ColumnSpec("From unit", 1.2),
                ColumnSpec("Loaded", 0.8, blank=True),
            ),
            tuple((*g, "") for g in site.groups),
            small=True,
        )
    ]
    if site.notes:
        out.append(TextBlock("", tuple(site.notes)))
    if with_tags and site.tags:
        padded = list(site.tags) + [("", "", "")] * (-len(site.tags) % TAGS_PER_ROW)
        rows = [
            tuple(_tag_cell(t) for t in padded[k : k + TAGS_PER_ROW])
            for k in range(0, len(padded), TAGS_PER_ROW)
        ]
        out.append(
            TableBlock(
                f"PIT codes for {site.name}",
                tuple(ColumnSpec("PIT code · family · mm") for _ in range(TAGS_PER_ROW)),
                tuple(rows),
                small=True,
            )
        )
    return out


def _tag_cell(tag: tuple[str, str, str]) -> str:
    return " · ".join(tag) if tag[0] else " "
