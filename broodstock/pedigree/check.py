"""Checks of pedigree records: every fault is found, named and placed; nothing is corrected."""

from __future__ import annotations

import difflib
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence

import numpy as np

from broodstock.arrays import MISSING
from broodstock.errors import ShapeError
from broodstock.findings import Finding, Findings, Place

_ROLES = (("dam", "female"), ("sire", "male"))
_MOST_SUGGESTED = 200
"""Unknown parents for which a near name is searched; the search is slow on long registers."""


def check_pedigree(
    ids: Sequence[str],
    dams: Sequence[str],
    sires: Sequence[str],
    sexes: Sequence[str],
    *,
    file: str = "fish.csv",
    rows: Sequence[int] | None = None,
    birth_years: Sequence[int | None] | None = None,
    min_age_female: int | None = None,
    min_age_male: int | None = None,
    known_elsewhere: Collection[str] = (),
    report_unknown: bool = True,
) -> list[Finding]:
    """Check recorded parents and return every fault.

    Parameters
    ----------
    ids : sequence of str
        Identifier of each record.
    dams, sires : sequence of str
        Recorded parents; empty when unknown.
    sexes : sequence of str
        ``female``, ``male``, ``unknown`` or empty.
    file : str
        File or table name for the findings.
    rows : sequence of int, optional
        Row of each record in the file; default 2, 3, ... (row 1 is the header).
    birth_years : sequence of int or None, optional
        Year class of each fish; None where unknown. Without it ages are not checked.
    min_age_female, min_age_male : int, optional
        Least age at spawning, in years. Without it only parents not older than their offspring are named.
    known_elsewhere : collection of str
        Fish that exist although they are not in this list.
    report_unknown : bool
        False: leave out ``parent-unknown`` (when another check of references has named them).

    Returns
    -------
    list of Finding
        In order of rows within each code. Codes: ``duplicate-id``, ``self-parent``, ``pedigree-loop``,
        ``two-sex-parent``, ``parent-sex``, ``parent-age``, ``parent-unknown``. All are errors except a parent
        that is older than its offspring but below the least age, which is a warning.

    Raises
    ------
    ShapeError
        If the lists differ in length.
    """
    n = len(ids)
    lengths = {len(dams), len(sires), len(sexes), n}
    lengths |= {len(x) for x in (rows, birth_years) if x is not None}
    if lengths != {n}:
        raise ShapeError(f"pedigree records: found lists of lengths {sorted(lengths)}. Expected one length.")
    records = _Records(file, ids, (dams, sires), sexes, rows if rows is not None else range(2, n + 2))
    out = Findings()
    records.duplicates(out)
    records.self_parents(out)
    records.loops(out)
    records.two_sex_parents(out)
    records.parent_sex(out)
    if birth_years is not None:
        records.parent_age(out, birth_years, (min_age_female, min_age_male))
    if report_unknown:
        records.unknown_parents(out, known_elsewhere)
    return list(out)


class _Records:
    """The records under check, with the row of the first record of each fish."""

    def __init__(
        self,
        file: str,
        ids: Sequence[str],
        parents: tuple[Sequence[str], Sequence[str]],
        sexes: Sequence[str],
        rows: Sequence[int],
    ) -> None:
        self.file, self.ids, self.parents, self.sexes, self.rows = file, ids, parents, sexes, rows
        self.first: dict[str, int] = {}
        for i, fish in enumerate(ids):
            self.first.setdefault(fish, i)

    def place(self, record: int, column: str | None = None) -> Place:
        return Place(self.file, int(self.rows[record]), column)

    def duplicates(self, out: Findings) -> None:
        for i, fish in enumerate(self.ids):
            if self.first[fish] != i:
                out.add(
                    "duplicate-id",
                    self.place(i, "fish_id"),
                    f"'{fish}' again",
                    "each fish once",
                    "Merge the two records if they are one fish, or give one of them its own name.",
                    others=[self.place(self.first[fish], "fish_id")],
                )

    def self_parents(self, out: Findings) -> None:
        for i, fish in enumerate(self.ids):
            for side, (role, _) in enumerate(_ROLES):
                if fish and self.parents[side][i] == fish:
                    out.add(
                        "self-parent",
                        self.place(i, role),
                        f"'{fish}', the fish itself",
                        f"another fish as {role}",
                        "Correct the name or leave the cell empty.",
                    )

    def loops(self, out: Findings) -> None:
        from broodstock.pedigree.graph import loops

        index = dict(self.first)
        index[""] = MISSING
        array = np.array(
            [[index.get(d, MISSING), index.get(s, MISSING)] for d, s in zip(*self.parents, strict=True)],
            dtype=np.int64,
        ).reshape(len(self.ids), 2)
        array[array == np.arange(len(array))[:, None]] = MISSING  # named by self_parents
        for cycle in loops(array):
            names = [self.ids[i] for i in cycle]
            out.add(
                "pedigree-loop",
                self.place(cycle[0]),
                f"a loop, each fish a parent of the next: {' -> '.join([*names, names[0]])}",
                "no fish among its own ancestors",
                "Correct one of these parents or leave it empty.",
                others=[self.place(i) for i in cycle[1:]],
            )

    def two_sex_parents(self, out: Findings) -> None:
        uses: dict[str, tuple[list[int], list[int]]] = defaultdict(lambda: ([], []))
        for side in range(2):
            for i, parent in enumerate(self.parents[side]):
                if parent:
                    uses[parent][side].append(i)
        for parent, (as_dam, as_sire) in uses.items():
            if not (as_dam and as_sire):
                continue
            same = sorted(set(as_dam) & set(as_sire))
            where = same[0] if same else as_sire[0]
            count = f"dam of {len(as_dam)} and sire of {len(as_sire)} fish"
            out.add(
                "two-sex-parent",
                self.place(where, "sire"),
                f"'{parent}' as both parents of one fish ({count})" if same else f"'{parent}', {count}",
                "one role for each fish",
                "Look at the crosses; correct the wrong ones.",
                others=[self.place(as_dam[0], "dam")],
            )

    def parent_sex(self, out: Findings) -> None:
        for side, (role, sex) in enumerate(_ROLES):
            for i, parent in enumerate(self.parents[side]):
                at = self.first.get(parent) if parent else None
                if at is not None and self.sexes[at] not in (sex, "unknown", ""):
                    out.add(
                        "parent-sex",
                        self.place(i, role),
                        f"'{parent}', recorded as {self.sexes[at]}",
                        f"a {sex} or a fish of unknown sex as {role}",
                        "Correct the parent, or the sex of the fish if it was misjudged.",
                        others=[self.place(at, "sex")],
                    )

    def parent_age(
        self, out: Findings, years: Sequence[int | None], least: tuple[int | None, int | None]
    ) -> None:
        for side, (role, sex) in enumerate(_ROLES):
            for i, parent in enumerate(self.parents[side]):
                at = self.first.get(parent) if parent else None
                if at is None or at == i:
                    continue
                child_year, parent_year = years[i], years[at]
                if child_year is None or parent_year is None:
                    continue
                age, limit = int(child_year) - int(parent_year), least[side]
                if age <= 0:
                    when = (
                        "younger than its offspring" if age < 0 else "of the same year class as its offspring"
                    )
                    out.add(
                        "parent-age",
                        self.place(i, role),
                        f"'{parent}' of year class {parent_year}, {when} of {child_year}",
                        "a parent of an earlier year class",
                        "Correct the parent or the year class of one of the two fish.",
                        others=[self.place(at, "year_class")],
                    )
                elif limit is not None and age < limit:
                    out.add(
                        "parent-age",
                        self.place(i, role),
                        f"'{parent}', {age} year(s) old at spawning (year class {parent_year}, offspring of "
                        f"{child_year})",
                        f"a {sex} of at least {limit} years",
                        "Check the parent and both year classes.",
                        "warning",
                        [self.place(at, "year_class")],
                    )

    def unknown_parents(self, out: Findings, known_elsewhere: Collection[str]) -> None:
        elsewhere = set(known_elsewhere)
        near: dict[str, str] = {}
        for side, (role, sex) in enumerate(_ROLES):
            for i, parent in enumerate(self.parents[side]):
                if not parent or parent in self.first or parent in elsewhere:
                    continue
                if parent not in near:
                    right_sex = [f for f, at in self.first.items() if self.sexes[at] in (sex, "unknown", "")]
                    pool = [*right_sex, *elsewhere] if len(near) < _MOST_SUGGESTED else []
                    near[parent] = _nearest(parent, pool, self.ids[i])
                hint = f"Did you mean '{near[parent]}'? " if near[parent] else ""
                out.add(
                    "parent-unknown",
                    self.place(i, role),
                    f"'{parent}'",
                    f"a fish_id in {self.file} or the register",
                    f"{hint}Correct it, add the fish, or leave the cell empty if the {role} is unknown.",
                )


def _nearest(name: str, known: Iterable[str], child: str) -> str:
    """Return the known name most like `name`, empty when none is near.

    A name with two neighbouring characters swapped comes first, then the greatest Ratcliff/Obershelp ratio of
    at least 0.8. Names whose length differs by more than two, or that share too few characters, are left out first.
    """
    letters = set(name)
    pool = [
        k
        for k in known
        if k and k != child and abs(len(k) - len(name)) <= 2 and len(letters & set(k)) >= 0.6 * len(letters)
    ]
    swaps = {name[:i] + name[i + 1] + name[i] + name[i + 2 :] for i in range(len(name) - 1)}
    swapped = [k for k in pool if k in swaps]
    if swapped:
        return swapped[0]
    found = difflib.get_close_matches(name, pool, n=1, cutoff=0.8)
    return found[0] if found else ""
