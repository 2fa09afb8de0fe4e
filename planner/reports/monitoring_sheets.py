"""The sheet for the day a backwater is drawn down: tags to tick off, blanks for what else turns up."""

from __future__ import annotations

from collections.abc import Sequence

from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock

BLANK_ROWS = 12


def drawdown_sheet(
    programme: str,
    facts: Sequence[tuple[str, str]],
    expected: Sequence[tuple[str, str, str, str, str, str]],
    versions: tuple[list[str], list[list[str]]],
    differences: Sequence[str],
    provenance: Provenance,
) -> Sheet:
    """Lay out the tick-off sheet of a drawdown.

    Parameters
    ----------
    programme : str
        Heading.
    facts : sequence of (str, str)
        Water, tags expected.
    expected : sequence of (tag, family, year class, length, last met, how sure)
        Tags that may be there.
    versions : (headings, rows)
        Counts on record, one column per version.
    differences : sequence of str
        Where the versions differ.
    provenance : Provenance
        What the list was made from.
    """
    blocks: list[Block] = [
        TableBlock(
            "Expected: tick off every tag read",
            (
                ColumnSpec("PIT code", 1.7),
                ColumnSpec("Family", 0.9),
                ColumnSpec("Class", 0.6),
                ColumnSpec("mm then", 0.6, "right"),
                ColumnSpec("Last met", 0.9),
                ColumnSpec("How sure", 0.9),
                ColumnSpec("Alive", 0.4, blank=True),
                ColumnSpec("Dead", 0.4, blank=True),
                ColumnSpec("mm", 0.5, blank=True),
                ColumnSpec("Sex", 0.4, blank=True),
                ColumnSpec("To", 0.6, blank=True),
            ),
            tuple((*row, "", "", "", "", "") for row in expected),
        ),
        TableBlock(
            "Not on the list: no tag read, new tags, strangers",
            (
                ColumnSpec("No", 0.3, "right"),
                ColumnSpec("PIT code read, or none", 1.6, blank=True),
                ColumnSpec("New PIT code", 1.6, blank=True),
                ColumnSpec("Clip", 0.7, blank=True),
                ColumnSpec("mm", 0.5, blank=True),
                ColumnSpec("Sex", 0.4, blank=True),
                ColumnSpec("Alive or dead", 0.8, blank=True),
                ColumnSpec("To", 0.6, blank=True),
            ),
            tuple((str(k), *[""] * 7) for k in range(1, BLANK_ROWS + 1)),
        ),
        CheckBlock(
            "Young and intruders",
            (
                "Young of the water: number ______  measured ______  longest ______ mm  clipped ______",
                "Other species: ____________ number ______   ____________ number ______   ____________ number ______",
                "Counted by ____________   second count by ____________   Write both down; do not make them agree.",
            ),
        ),
    ]
    if versions[0][1:-1]:
        head, rows = versions
        columns = tuple(
            ColumnSpec(h, 1.2 if k == 0 else 1.0, "left" if k == 0 else "right") for k, h in enumerate(head)
        )
        blocks.append(TableBlock("Counts on record", columns, tuple(tuple(r) for r in rows)))
    if differences:
        blocks.append(TextBlock("Where they differ", tuple(differences), boxed=True))
    return Sheet(
        "Drawdown sheet",
        programme,
        provenance.mark,
        provenance.version,
        tuple(facts),
        tuple(blocks),
        cautions_for(("names", "tagging", "water_order", "heat", "privacy")),
        provenance_lines(provenance),
        landscape=True,
    )
