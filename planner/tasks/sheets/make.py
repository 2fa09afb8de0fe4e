"""Make a sheet, give it a version and keep it: the same content keeps its version, other content voids the older ones."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from broodstock.errors import UsageError
from planner.provenance import Provenance, fingerprint_of
from planner.reports.html import sheet_html
from planner.reports.labels import LabelSheet, labels_pdf
from planner.reports.pdf import sheet_pdf
from planner.reports.provenance_lines import provenance_lines
from planner.reports.sheet import Sheet
from planner.tasks.outputs import write_bytes, write_text
from planner.tasks.programme import Programme
from planner.tasks.sheets.asked import Asked
from planner.tasks.sheets.forms import EntryForm, form_of
from planner.tasks.sheets.kinds import SheetKind, kind_of

KEPT = "sheet.json"


@dataclass(frozen=True)
class KeptSheet:
    """A sheet that was printed.

    Parameters
    ----------
    name : str
        Kind of sheet.
    title, subtitle : str
        As printed.
    subject : str
        What was asked for, in words that name a folder; versions count within it.
    version : int
        Version.
    mark : str
        Ten hex digits printed on every page.
    newest : int
        Newest version of the same subject; when it is higher, this sheet is void.
    files : tuple of Path
        PDF, HTML, and tables beside them.
    forms : tuple of EntryForm
        What can be keyed in.
    asked : mapping of str to str
        What it was made for.
    """

    name: str
    title: str
    subtitle: str
    subject: str
    version: int
    mark: str
    newest: int
    files: tuple[Path, ...]
    forms: tuple[EntryForm, ...]
    asked: Mapping[str, str]

    @property
    def is_void(self) -> bool:
        """Whether a newer version voids it."""
        return self.version < self.newest

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "sheet": self.name,
            "title": self.title,
            "subtitle": self.subtitle,
            "version": self.version,
            "mark": self.mark,
            "void": self.is_void,
            "asked": dict(self.asked),
            "files": [str(f) for f in self.files],
        }


def subject_of(kind: SheetKind, asked: Asked, about: str = "") -> str:
    """Return the name of what is asked for: words given in the order of the kind, without those of the layout.

    What the sheet is `about` where the words leave that open, such as the day of the plan, is part of it.
    """
    given = {a.name: asked.text(a.name) for a in kind.asks if asked.text(a.name) and not a.layout}
    if about and about not in given.values():
        given["about"] = about
    words = [re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") for text in given.values()]
    name = "_".join(w for w in words if w)[:60] or "all"
    return f"{name}-{fingerprint_of(given)[:6]}" if given else name


def make_sheet(programme: Programme, name: str, asked: Asked, folder: Path) -> KeptSheet:
    """Make a sheet and keep it below a folder.

    Parameters
    ----------
    programme : Programme
        Records.
    name : str
        Kind of sheet, see `planner.tasks.sheets.kinds.KINDS`.
    asked : Asked
        What it is asked for.
    folder : Path
        Kept as ``folder/NAME/SUBJECT/VERSION/``.

    Returns
    -------
    KeptSheet
        With the version in force: that of the last one when nothing on it changed, the next otherwise.

    Raises
    ------
    UsageError
        If there is no such sheet, a word is unknown or missing, or the plan it needs is not there.
    OSError
        If the folder cannot be written.
    """
    kind = kind_of(name)
    _check_words(kind, asked)
    printed = kind.function()(programme, asked)
    subject = subject_of(kind, asked, printed.about)
    place = folder / name / subject
    forms = [f.as_dict() for f in printed.forms]
    bare: Sheet | LabelSheet = replace(printed.sheet, mark="", version=0, provenance=())
    whole = {"sheet": bare.as_dict(), "forms": forms} | (
        {"tables": dict(printed.tables)} if printed.tables else {}
    )
    content = fingerprint_of(json.loads(json.dumps(whole)))
    versions = _versions(place)
    last = _read(place / str(versions[0])) if versions else None
    if last is not None and last["content"] == content:
        return _kept(place / str(versions[0]), last, versions[0])
    version = versions[0] + 1 if versions else 1
    given = {a.name: asked.text(a.name) for a in kind.asks if asked.text(a.name)}
    settings = given | {"content": content[:10]}
    made = Provenance(kind.title, programme.fingerprint, programme.today.isoformat(), 0, settings, version)
    provenance = (*printed.sheet.provenance, *provenance_lines(made))
    sheet = replace(printed.sheet, mark=made.mark, version=version, provenance=provenance)
    target = place / str(version)
    if isinstance(sheet, Sheet):
        sheet = replace(sheet, code=f"kinshoal {name} sheet | {made.mark} v{version}")
        pdf, page = sheet_pdf(sheet, programme.today), sheet
    else:
        pdf, page = labels_pdf(sheet, programme.today), sheet.as_list()
    write_bytes(target / f"{name}.pdf", pdf)
    write_text(target / f"{name}.html", sheet_html(page))
    for file, text in printed.tables.items():
        write_text(target / file, text)
    values = {
        "name": name,
        "title": sheet.title,
        "subtitle": sheet.subtitle,
        "subject": subject,
        "version": version,
        "mark": made.mark,
        "content": content,
        "asked": given,
        "forms": forms,
        "tables": list(printed.tables),
    }
    write_text(target / KEPT, json.dumps(values, indent=1, ensure_ascii=False) + "\n")
    return _kept(target, values, version)


def kept_sheets(folder: Path) -> list[KeptSheet]:
    """Return every sheet kept below a folder, the newest version of each subject first."""
    places = [p.parent for p in folder.glob(f"*/*/*/{KEPT}")]
    out = [_kept(place, _read(place), _versions(place.parent)[0]) for place in places]
    return sorted(out, key=lambda s: (s.name, s.subject, -s.version))


def kept_sheet(folder: Path, name: str, subject: str, version: int) -> KeptSheet:
    """Return one sheet that was kept.

    Raises
    ------
    UsageError
        If there is none.
    """
    for sheet in kept_sheets(folder):
        if (sheet.name, sheet.subject, sheet.version) == (name, subject, version):
            return sheet
    raise UsageError(
        f"sheet: found no {name} {subject} of version {version}. Expected one that was printed here."
    )


def _check_words(kind: SheetKind, asked: Asked) -> None:
    names = [a.name for a in kind.asks]
    for word in asked.values:
        if word not in names:
            raise UsageError(
                f"{kind.name} sheet: found {word!r}. Expected {'one of ' + ', '.join(names) if names else 'nothing'}."
            )
    for a in kind.asks:
        if a.needed and not asked.text(a.name):
            raise UsageError(
                f"{kind.name} sheet: found no {a.name}. Expected {a.label.lower()}, for example {a.name}={a.example}."
            )


def _versions(place: Path) -> list[int]:
    if not place.is_dir():
        return []
    found = (int(p.name) for p in place.iterdir() if p.name.isdigit() and (p / KEPT).exists())
    return sorted(found, reverse=True)


def _read(place: Path) -> dict[str, Any]:
    values: dict[str, Any] = json.loads((place / KEPT).read_text(encoding="utf-8"))
    return values


def _kept(place: Path, values: Mapping[str, Any], newest: int) -> KeptSheet:
    names = (f"{values['name']}.pdf", f"{values['name']}.html", *values.get("tables", ()))
    files = tuple(place / n for n in names if (place / n).exists())
    return KeptSheet(
        values["name"],
        values["title"],
        values["subtitle"],
        values["subject"],
        values["version"],
        values["mark"],
        newest,
        files,
        tuple(form_of(f) for f in values["forms"]),
        values["asked"],
    )
