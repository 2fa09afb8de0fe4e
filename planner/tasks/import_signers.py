"""Who must sign an import: who enters it, and a second person when it brings releases or culls."""

from __future__ import annotations

from typing import TYPE_CHECKING

from planner.tasks.people import NotAllowedError, check_person

if TYPE_CHECKING:
    from planner.store.register import Register
    from planner.tasks.register_import import ImportPlan

ACTS = {
    "releases": ("", (), "releases"),
    "group_moves": ("kind", ("release", "cull"), "releases or culls of groups"),
    "fish": ("status", ("released",), "fish that become released"),
}
"""Table to the column that makes a row a release or a cull, its values there (none: every row), and the words."""


def acts_of(plan: ImportPlan) -> dict[str, int]:
    """Return how many rows of an import are releases or culls, by words; what the register holds does not count."""
    out = {}
    for table, (column, values, words) in ACTS.items():
        comparison = plan.tables.get(table)
        if comparison is None:
            continue
        added = comparison.added
        number = int(added[column].isin(values).sum()) if column and len(added) else len(added)
        number += sum(
            c.table == table and (not column or (column in c.columns and c.new[column] in values))
            for c in plan.changed
        )
        if number:
            out[words] = number
    return out


def signers(register: Register, plan: ImportPlan, who: str, confirmed_by: str = "") -> str:
    """Return the name or the two names that an import is signed with.

    Parameters
    ----------
    register : Register
        Open.
    plan : ImportPlan
        What would be written.
    who : str
        Who imports: role enter, or approve when the import brings people.
    confirmed_by : str
        A second person with role approve; needed when the register has people and the import brings releases or culls.

    Raises
    ------
    NotAllowedError
        If a person may not, the second is missing or is the first, or the first people of a register have no approver.
    """
    brought = plan.tables.get("people")  # in a data package, which carries the own tables of a register
    brings_people = brought is not None and (
        len(brought.added) > 0 or any(c.table == "people" for c in plan.changed)
    )
    if not register.count("people"):
        if brought is not None and brings_people and not brought.added["role"].eq("approve").any():
            raise NotAllowedError(
                "people: found first people without role approve. Expected one approver at least: otherwise nobody could "
                "add others. Give one of them role approve."
            )
        return check_person(register, who)
    name = check_person(register, who, "approve" if brings_people else "enter")
    acts = acts_of(plan)
    if not acts and not confirmed_by.strip():
        return name
    if not confirmed_by.strip():
        found = ", ".join(f"{number} {words}" for words, number in acts.items())
        raise NotAllowedError(
            f"import: found {found}, signed by {name} alone. Expected two people: a release or a cull is confirmed by a "
            "second one with role approve. Have that person look at the dry run and add --confirmed-by NAME."
        )
    second = check_person(register, confirmed_by, "approve", "--confirmed-by")
    if second.casefold() == name.casefold():
        raise NotAllowedError(
            f"--confirmed-by: found '{confirmed_by}', who imports. Expected another person with role approve. Ask a second "
            "person."
        )
    return f"{name} and {second}"
