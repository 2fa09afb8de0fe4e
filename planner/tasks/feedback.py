"""New values from monitoring beside those in use; a person accepts them one by one, with provenance.

Nothing changes by itself. An accepted survival curve becomes a new row of the table ``survival`` with who, when and
the fingerprint of the records it was fitted to; the row it replaces stays, marked as replaced. Other accepted values
become rows of ``settings``. The next plan reads them.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodstock.errors import UsageError
from planner.monitor.curves_data import REFERENCE_MM
from planner.monitor.growth import GrowthFit
from planner.tasks.programme import Programme
from planner.tasks.survival_curves import REPLACED, SurvivalCurve
from planner.tasks.survival_known import tag_retention
from planner.tasks.survival_models_curves import ProgrammeCurves, reference_logit

LENGTHS = (300.0, 350.0, 400.0)
HEAD = ("value", "in use", "proposed", "interval", "made from", "change")


@dataclass(frozen=True)
class Proposal:
    """One value that monitoring proposes.

    Parameters
    ----------
    name : str
        Name to accept it by, such as ``survival:GW:winter`` or ``setting:growth_mm_month``.
    in_use, proposed, interval : str
        In words.
    made_from : str
        Data behind it.
    change : str
        What accepting it would do to plans.
    table : {'survival', 'settings'}
        Table it would be written to.
    row : dict
        The row that would be added.
    replaces : dict
        Columns that name the row it replaces; empty when none is replaced.
    """

    name: str
    in_use: str
    proposed: str
    interval: str
    made_from: str
    change: str
    table: str
    row: dict[str, Any]
    replaces: dict[str, Any]

    def cells(self) -> list[str]:
        """Return the proposal as a row of text."""
        return [self.name, self.in_use, self.proposed, self.interval, self.made_from, self.change]


@dataclass(frozen=True)
class Feedback:
    """All proposals of one set of records.

    Parameters
    ----------
    proposals : tuple of Proposal
        Survival first.
    notes : tuple of str
        Fit, and what could not be proposed and why.
    fingerprint : str
        Of the records.
    """

    proposals: tuple[Proposal, ...]
    notes: tuple[str, ...]
    fingerprint: str

    def table(self) -> tuple[list[str], list[list[str]]]:
        """Return headings and rows."""
        return list(HEAD), [p.cells() for p in self.proposals]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "proposals": [asdict(p) for p in self.proposals],
            "notes": list(self.notes),
            "fingerprint": self.fingerprint,
        }

    def named(self, name: str) -> Proposal:
        """Return one proposal.

        Raises
        ------
        UsageError
            If there is none of that name.
        """
        for proposal in self.proposals:
            if proposal.name == name:
                return proposal
        there = ", ".join(p.name for p in self.proposals) or "nothing: monitoring proposes no value"
        raise UsageError(f"--accept: found {name!r}. Expected one of {there}.")


def make_feedback(programme: Programme, curves: ProgrammeCurves, growth: GrowthFit | None = None) -> Feedback:
    """Set new values beside those in use.

    Parameters
    ----------
    programme : Programme
        Open records.
    curves : ProgrammeCurves
        Fitted curves.
    growth : GrowthFit, optional
        Fitted growth of fish in the water.

    Returns
    -------
    Feedback
        A curve is proposed for each water and season with at least one fish whose first year is over.
    """
    notes = list(curves.notes)
    proposals: list[Proposal] = []
    if curves.fit is None:
        notes.append(f"No survival curve is proposed: {curves.reason}.")
    else:
        notes.append(curves.fit.fit.sentence)
        for cell, (site, season, kind) in enumerate(curves.sites):
            if int(curves.fit.released[cell]) == 0:
                notes.append(
                    f"{site} in {season}: no released fish whose first year is over; the curve in use stays."
                )
                continue
            proposals.append(_curve_proposal(curves, cell, site, season, kind))
        proposals += _detection_proposal(programme, curves)
    if growth is not None:
        proposals += _growth_proposal(programme, growth, notes)
    proposals += _tag_proposal(programme, notes)
    mark = programme.fingerprint
    held = programme.tables["survival"]["records_mark"]
    kept = tuple(p for p in proposals if not (p.table == "survival" and _already(programme, p, mark, held)))
    if len(kept) < len(proposals):
        notes.append(f"{len(proposals) - len(kept)} curves fitted to these very records are in use already.")
    return Feedback(kept, tuple(notes), mark)


def _already(programme: Programme, proposal: Proposal, mark: str, held: pd.Series) -> bool:
    table = programme.tables["survival"]
    same = (
        (table["site_id"] == proposal.row["site_id"])
        & (table["season"] == proposal.row["season"])
        & (table["state"] != REPLACED)
        & (held != "")
        & np.isclose(table["intercept"], proposal.row["intercept"], atol=5e-4)
        & np.isclose(table["slope_per_mm"], proposal.row["slope_per_mm"], atol=5e-6)
    )
    return bool(same.any())


def _curve_proposal(curves: ProgrammeCurves, cell: int, site: str, season: str, kind: str) -> Proposal:
    assert curves.fit is not None
    intercept, slope, error = curves.fit.line(cell)
    old = curves.in_use[cell]
    fitted = curves.fit.at(cell, REFERENCE_MM)
    released, met = int(curves.fit.released[cell]), int(curves.fit.met[cell])
    row = {
        "site_id": site,
        "site_kind": kind,
        "season": season,
        "intercept": round(intercept, 4),
        "slope_per_mm": round(slope, 6),
        "intercept_se": round(error, 4),
        "source": f"fitted to {released} fish released, {met} met a year or more later",
        "state": "in-use",
    }
    replaces = {"site_id": site, "season": season}
    return Proposal(
        f"survival:{site}:{season}",
        "none" if old is None else f"{float(old.at(REFERENCE_MM)):.3f} at 350 mm",
        f"{fitted.value:.3f} at 350 mm" if fitted.value is not None else "",
        fitted.text(3).partition("(")[2].rstrip(")"),
        f"{released} released, {met} met again",
        _curve_change(old, SurvivalCurve(intercept, slope, error, "")),
        "survival",
        row,
        replaces,
    )


def _curve_change(old: SurvivalCurve | None, new: SurvivalCurve) -> str:
    if old is None:
        return "plans count survivors there for the first time"
    parts = []
    for length in LENGTHS:
        ratio = float(new.at(length)) / max(float(old.at(length)), 1e-9)
        parts.append(f"{ratio:.2f}")
    apart = (reference_logit(new) - reference_logit(old)) / float(
        np.hypot(new.error or 0.0, old.error or 0.0) or 1.0
    )
    words = f"survivors x {', '.join(parts)} at 300, 350, 400 mm"
    return words + ("; further apart than both errors explain" if abs(apart) > 2 else "")


def _detection_proposal(programme: Programme, curves: ProgrammeCurves) -> list[Proposal]:
    assert curves.fit is not None
    if "reservoir-zone" not in curves.kinds:
        return []
    met = curves.fit.detection.get(f"met {curves.kinds.index('reservoir-zone')}")
    if met is None or met.value is None or met.n_used < 10:
        return []
    return [
        _setting(programme, "detection_yearly", round(met.value, 4), met.text(3), f"{met.n_used} fish met")
    ]


def _growth_proposal(programme: Programme, growth: GrowthFit, notes: list[str]) -> list[Proposal]:
    monthly = growth.monthly(300.0)
    if monthly.value is None:
        notes.append(f"No growth is proposed: {monthly.reason}.")
        return []
    notes.append(growth.sentence)
    made = f"{monthly.n_used} fish measured twice"
    return [_setting(programme, "growth_mm_month", round(monthly.value, 2), monthly.text(1), made)]


def _tag_proposal(programme: Programme, notes: list[str]) -> list[Proposal]:
    """Propose the share of tags kept for a year, from fish that carried two tags at once."""
    retention, double = tag_retention(programme)
    kept = retention.at(1.0, float(programme.settings["confidence"]))
    if kept.value is None:
        notes.append(f"Tag loss is not estimable because {kept.reason}.")
        return []
    made = f"{kept.n_used} of {double} fish with two tags"
    return [_setting(programme, "tag_kept_first_year", round(kept.value, 4), kept.text(3), made)]


def _setting(programme: Programme, name: str, value: float, text: str, made_from: str) -> Proposal:
    old = float(programme.settings[name])
    return Proposal(
        f"setting:{name}",
        "not set" if old == 0 else f"{old:g}",
        f"{value:g}",
        text.partition("(")[2].rstrip(")"),
        made_from,
        "first value" if old == 0 else f"x {value / old:.2f}",
        "settings",
        {"name": name, "value": f"{value:g}"},
        {"name": name},
    )


def accept(
    programme: Programme, feedback: Feedback, names: tuple[str, ...], who: str, day: dt.date | None = None
) -> list[str]:
    """Accept proposals: write them into the records, the values they replace stay as records.

    Parameters
    ----------
    programme : Programme
        The records the feedback was made from, in a folder or a register.
    feedback : Feedback
        Proposals.
    names : tuple of str
        Names of the proposals accepted.
    who : str
        Who accepts.
    day : date, optional
        Day of acceptance; default the day of the records.

    Returns
    -------
    list of str
        What was written, in words.

    Raises
    ------
    UsageError
        If nobody is named, a proposal does not exist, or the records changed since.
    OSError
        If the folder cannot be written.
    """
    if not who.strip():
        raise UsageError("--by: found nobody. Expected the name or role of the person who accepts. Add --by.")
    chosen = [feedback.named(n) for n in dict.fromkeys(names)]
    if programme.fingerprint != feedback.fingerprint:
        raise UsageError(
            "feedback: found records that changed since it was made. Expected the same. Make it again."
        )
    when = day or programme.today
    from planner.tasks.registers import is_register

    if is_register(programme.folder):
        return _into_register(str(programme.folder), chosen, who, when, feedback.fingerprint)
    return _into_folder(Path(programme.folder), programme, chosen, who, when, feedback.fingerprint)


def _stamped(proposal: Proposal, who: str, when: dt.date, mark: str) -> Proposal:
    """Return the proposal with its provenance in the row."""
    row = dict(proposal.row)
    if proposal.table == "survival":
        row |= {"accepted_by": who, "accepted_on": when.isoformat(), "records_mark": mark[:16]}
    else:
        row["source"] = f"monitoring ({proposal.made_from}), accepted by {who} on {when}, records {mark[:16]}"
        if proposal.in_use != "not set":
            row["note"] = f"replaces {proposal.in_use}"
    return replace(proposal, row=row)


def _into_folder(
    folder: Path, programme: Programme, chosen: list[Proposal], who: str, when: dt.date, mark: str
) -> list[str]:
    from broodstock.intake.write import write_table

    said = []
    for table in ("survival", "settings"):
        mine = [_stamped(p, who, when, mark) for p in chosen if p.table == table]
        if not mine:
            continue
        frame = programme.tables[table].copy()
        for proposal in mine:
            frame = _with_row(frame, proposal)
            said.append(_said(proposal, who, when, mark))
        path = _table_file(folder, table)
        write_table(frame, path, table)
        said.append(f"wrote {path}")
    return said


def _table_file(folder: Path, table: str) -> Path:
    """Return the file a table is written to.

    Raises
    ------
    UsageError
        If the table stands in a workbook.
    """
    for ending in (".csv", ".csv.gz"):
        if (folder / f"{table}{ending}").is_file():
            return folder / f"{table}{ending}"
    if (folder / "records.xlsx").is_file():
        raise UsageError(
            f"{folder / 'records.xlsx'}: found the records in a workbook. Expected {table}.csv, which can be written without "
            "touching the other sheets. Save the sheet as CSV and delete it from the workbook."
        )
    return folder / f"{table}.csv"


def _with_row(frame: pd.DataFrame, proposal: Proposal) -> pd.DataFrame:
    """Return a table with the new row; the row it replaces is marked, or in the settings overwritten."""
    out = frame.copy()
    same = np.ones(len(out), dtype=bool)
    for name, value in proposal.replaces.items():
        same &= (out[name] == value).to_numpy()
    if proposal.table == "settings":
        out = out[~same]
    else:
        out.loc[same, "state"] = REPLACED
    row = {c: proposal.row.get(c) for c in out.columns}
    new = pd.DataFrame([row], columns=out.columns)
    for c in out.columns:
        if str(out[c].dtype).startswith("datetime"):
            new[c] = pd.to_datetime(new[c]).astype(out[c].dtype)
        elif out[c].dtype == object:
            new[c] = pd.Series([proposal.row.get(c) or ""], dtype=object)
        else:
            new[c] = new[c].astype(out[c].dtype)
    joined = pd.concat([out, new], ignore_index=True)
    joined.attrs.update(frame.attrs)
    return joined


def _into_register(place: str, chosen: list[Proposal], who: str, when: dt.date, mark: str) -> list[str]:
    from planner.store.register import Register

    said = []
    with Register.open(place) as register:
        if register.data_version().hash != mark:
            raise UsageError(
                f"{place}: found changes entered since the feedback was made. Expected the same records. Make it again."
            )
        reason = "accepted from monitoring: " + ", ".join(p.name for p in chosen)
        with register.writing(
            who, reason, source=f"records {mark[:16]}", true_on=when, kind="feedback"
        ) as writer:
            for proposal in chosen:
                stamped = _stamped(proposal, who, when, mark)
                frame = register.frame(proposal.table)
                same = np.ones(len(frame), dtype=bool)
                for name, value in proposal.replaces.items():
                    same &= (frame[name] == value).to_numpy()
                if proposal.table == "survival":
                    same &= (frame["state"] != REPLACED).to_numpy()
                for record in frame.index[same]:
                    if proposal.table == "settings":
                        writer.change(
                            "settings", int(record), {k: v for k, v in stamped.row.items() if k != "name"}
                        )
                    else:
                        writer.change("survival", int(record), {"state": REPLACED})
                if proposal.table == "survival" or not same.any():
                    writer.add(proposal.table, [stamped.row])
                said.append(_said(stamped, who, when, mark))
    return said


def _said(proposal: Proposal, who: str, when: dt.date, mark: str) -> str:
    return (
        f"accepted {proposal.name}: {proposal.proposed} in place of {proposal.in_use}, by {who} on {when}, from records "
        f"{mark[:16]}"
    )
