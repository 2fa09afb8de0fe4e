"""The sheet for the day a backwater is drawn down: tags to tick off, lines for strangers, young and other species."""

from __future__ import annotations

from collections.abc import Sequence

from planner.provenance import Provenance
from planner.reports.cautions import cautions_for
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import Block, CheckBlock, ColumnSpec, Sheet, TableBlock, TextBlock

DRAWDOWN_CAUTIONED = ("drawdown", "names", "tagging", "handling", "dna", "heat", "water_order", "privacy")
COUNTS = 2
FATES = "A alive, D dead, M moved, R returned"
HANDLED = (("fate", "Fate", 0.5), ("total_length_mm", "mm", 0.6), ("sex", "Sex", 0.5), ("to_site", "To", 0.7),
           ("note", "Remark", 1.4))  # fmt: skip
"""Column of the records, heading and width of the blanks of a fish that is expected."""
COUNTED = (("version", "Counted by", 1.6), ("alive", "Alive", 1.0), ("dead", "Dead", 1.0), ("without_tag", "No tag read", 1.0),
           ("retagged", "New tags", 1.0), ("young", "Young", 1.0), ("intruders", "Other species", 1.0))  # fmt: skip
"""The same of a count of the whole water."""
STRANGERS = (("tag", "PIT code read", 1.8), ("new_tag", "New PIT code", 1.8), *HANDLED)
"""The same of a fish that is not on the list, or a young one."""


def drawdown_sheet(
    programme: str,
    facts: Sequence[tuple[str, str]],
    expected: Sequence[tuple[str, str, str, str, str, str]],
    versions: tuple[list[str], list[list[str]]],
    differences: Sequence[str],
    provenance: Provenance,
) -> Sheet:
    """Lay out the tick-off sheet of a drawdown with what is on record of it.

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
    blocks = [*drawdown_blocks(expected)]
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
        cautions_for(DRAWDOWN_CAUTIONED),
        provenance_lines(provenance),
        landscape=True,
    )


def drawdown_blocks(
    expected: Sequence[tuple[str, str, str, str, str, str]],
    strangers: int = 12,
    young: int = 12,
    intruders: int = 6,
) -> tuple[Block, ...]:
    """Return the blocks that are filled in: the list, strangers, young, other species, count of two people.

    Parameters
    ----------
    expected : sequence of (tag, family, year class, length, last met, how sure)
        Tags that may be there; an empty sequence says so.
    strangers, young, intruders : int
        Blank lines; lines are numbered through.
    """
    start = len(expected)
    after = start + strangers
    listed = TableBlock(
        "Expected: tick off every tag read by its fate",
        (
            ColumnSpec("No", 0.35, "right"),
            ColumnSpec("PIT code", 1.6),
            ColumnSpec("Family", 0.8),
            ColumnSpec("Class", 0.5),
            ColumnSpec("mm then", 0.5, "right"),
            ColumnSpec("Last met", 0.9),
            ColumnSpec("How sure", 1.1),
            *_blanks(HANDLED),
        ),
        tuple((str(k), *row, *[""] * len(HANDLED)) for k, row in enumerate(expected, 1)),
        note=f"Fate: {FATES}. To: short name of the water or unit. A line left empty means: not found."
        if expected
        else "No tag is on record as released or met here.",
    )
    words = {
        "Not on the list: no tag read, new tags, strangers": (start, strangers),
        "Young of this water: those measured or clipped, one line each": (after, young),
    }
    lines = [
        TableBlock(
            title,
            (ColumnSpec("No", 0.35, "right"), *_blanks(STRANGERS)),
            tuple((str(first + k), *[""] * len(STRANGERS)) for k in range(1, number + 1)),
            note=f"Fate: {FATES}. No tag read: a line through its box; scan both sides with a second reader, also for older tags; then clip and new tag. "
            "Write the vial as a remark."
            if title.startswith("Not")
            else "",
        )
        for title, (first, number) in words.items()
    ]
    others = TableBlock(
        "Other species: one line for each kind or each fish kept",
        (
            ColumnSpec("No", 0.35, "right"),
            ColumnSpec("Species", 2.2, blank=True),
            ColumnSpec("mm", 0.6, blank=True),
            ColumnSpec("Fate", 0.6, blank=True),
            ColumnSpec("Remark: how many, largest, photograph", 4, blank=True),
        ),
        tuple((str(after + young + k), "", "", "", "") for k in range(1, intruders + 1)),
    )
    count = TableBlock(
        "Two people count, each alone; both are kept, do not make them agree",
        _blanks(COUNTED),
        (("",) * len(COUNTED),) * COUNTS,
        keep_together=True,
    )
    end = CheckBlock(
        "Before the water is left",
        (
            "Mud and plants looked through for stranded fish; outlet screen looked at   by ____________",
            "Lowest oxygen ______ mg/L at ______   highest temperature ______ °C at ______   in the tubs ______ ______",
            "Nets, pump and boots cleaned before the next water",
        ),
    )
    return (listed, *lines, others, count, end)


def _blanks(columns: Sequence[tuple[str, str, float]]) -> tuple[ColumnSpec, ...]:
    return tuple(ColumnSpec(label, width, blank=True) for _, label, width in columns)
