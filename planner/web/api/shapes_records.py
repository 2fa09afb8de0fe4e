"""Shapes of records: tables, one record, entries, proposals, findings, imports, settings."""

from __future__ import annotations

import datetime as dt
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from planner.web.api.shapes import Cell, ChangeShown, FindingShown, Shape


class Session(BaseModel):
    """Who is asking, and the secret that writes carry in the header ``x-csrf-token``."""

    name: str
    role: str
    token: str


class Status(BaseModel):
    """The records and whether they are read."""

    place: str
    is_register: bool = Field(description="Whether records can be entered; a folder can only be read.")
    version: str
    warm: bool


class TableEntry(BaseModel):
    """A table."""

    table: str
    sentence: str
    records: int


class ColumnShown(BaseModel):
    """One column of a table."""

    name: str
    kind: Literal["text", "tag", "choice", "flag", "integer", "number", "date", "datetime"]
    sentence: str
    required: bool
    unit: str
    low: float | None
    high: float | None
    choices: list[str]
    refers: str = Field(description="Table and column whose names it holds.")


class TableColumns(BaseModel):
    """A table with its columns."""

    table: str
    sentence: str
    key: list[str]
    columns: list[ColumnShown]


class TableRows(BaseModel):
    """One page of a table; ``number`` names the record, cells are text."""

    table: str
    total: int
    page: int
    pages: int
    rows: list[dict[str, str | int]]


class RecordList(BaseModel):
    """Records of a table with their values; ``record_id`` is the number of the record."""

    table: str
    total: int
    records: list[dict[str, Cell]]


class Version(Shape):
    """One change of one record: old and new value by column."""

    change: ChangeShown
    values: dict[str, list[Cell]]


class Record(BaseModel):
    """One record and its history, newest change first; values are text."""

    table: str
    number: int
    name: str
    entry: int = Field(description="This version; a change may say it was made from it.")
    values: dict[str, str]
    history: list[Version]


class Hit(BaseModel):
    """Where a text was found: the record, the column, its value and how it was found."""

    table: str
    name: str
    record: str
    column: str
    value: str
    how: str


class Entry(BaseModel):
    """Cells of a new record, and why it is entered."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"values": {"note": "seen"}, "reason": "checked"}]}
    )
    values: dict[str, str]
    reason: str = ""
    true_on: dt.date | None = Field(None, description="Day on which it became true.")
    beyond_permit: bool = Field(False, description="Propose it although a permit leaves no room.")


class ChangeEntry(Entry):
    """Cells to change; an empty text empties a cell."""

    entry: int = Field(
        0,
        ge=0,
        le=2**62,
        description="Version that was looked at: a newer one refuses the change; 0: whatever is there.",
    )
    euthanasia: bool = Field(False, description="The fish is to be killed: a second person confirms.")


class Reason(BaseModel):
    """Why."""

    reason: str = Field(min_length=1, examples=["typed twice"])


class Entered(BaseModel):
    """What an entry did: a change, or a proposal that waits for a second person."""

    words: str
    change: int | None = None
    record: int | None = None
    proposal: str | None = None


class ProposalShown(Shape):
    """What waits for a second person, or waited."""

    proposal_id: str
    act: str
    subject: str
    reason: str
    proposed_by: str
    proposed_on: str | None
    state: str
    decided_by: str | None
    decided_on: str | None
    answer: str | None


class Decided(BaseModel):
    """What the second person says: confirmed unless refused or taken back."""

    answer: str = Field("", examples=["both fish seen"])
    refuse: bool = False
    take_back: bool = False


class MergeAsked(BaseModel):
    """Two names that are one fish."""

    keep: str = Field(examples=["M-01"])
    gone: str = Field(examples=["M-02"])
    reason: str = Field(min_length=1, examples=["one genotype"])


class QueueShown(Shape):
    """One difference between two sources, both versions side by side."""

    item: str
    table: str
    record: str
    state: str
    ours: dict[str, Cell]
    ours_source: str | None
    theirs: dict[str, Cell]
    theirs_source: str | None
    differences: list[str]


class Taken(BaseModel):
    """How a difference is decided, and why."""

    keep: Literal["old", "new", "fields", "both"]
    values: dict[str, str] = Field(
        default_factory=dict, description="With fields: 'old', 'new' or a value by column."
    )
    reason: str = Field(min_length=1, examples=["measured again"])


class FindingReviewed(FindingShown):
    """A finding with its mark and what people decided about it."""

    mark: str = ""
    table: str = ""
    record: str | None = None
    who_decides: str = ""
    state: str = "open"
    decided_by: str | None = None
    decided_on: str | None = None
    reason: str | None = None


class Judged(BaseModel):
    """Findings to accept or to open again, by their marks, and why."""

    accept: list[str] = Field(default_factory=list, examples=[["112ac51bc341"]])
    reopen: list[str] = Field(default_factory=list)
    reason: str = Field(min_length=1, examples=["looked at the fish"])


class DecisionEntry(BaseModel):
    """A decision to enter in the log, dated today and signed by who asks."""

    what: str = Field(min_length=1, description="What was decided.", examples=["Keep F-09 out this year"])
    reason: str = Field(min_length=1, examples=["fungus came back"])
    subject: str = Field("", description="What it is about.", examples=["F-09"])
    evidence: str = Field("", description="What it rests on.")
    plan_id: str = Field("", description="Plan it belongs to.")


class SettingShown(BaseModel):
    """One setting: its value, meaning, source, and the words of a choice."""

    name: str
    value: str
    unit: str
    meaning: str
    source: str
    choices: list[str]


class SettingEntry(BaseModel):
    """A setting to put into the records, where its value is from, and why."""

    value: str = Field(min_length=1, examples=["0.05"])
    source: str = Field("", examples=["programme's plan"])
    reason: str = Field(min_length=1, examples=["agreed on 12 May"])


class WriteAsked(BaseModel):
    """To write what a dry run showed."""

    reason: str = ""
    confirmed_by: str = Field("", description="Second person, when it brings releases or culls.")
