"""Tables the register keeps beside the records: people, imports, reviews, plans, decisions, call sets."""

# ruff: noqa: N817
from __future__ import annotations

from broodstock.fields import Column as C
from broodstock.fields import Table

PEOPLE_TABLES = (
    Table(
        "people",
        "One person who may use the register.",
        (
            C("person_id", "text", "Short name the person signs with.", required=True),
            C("name", "text", "Name or job as shown on sheets."),
            C(
                "role",
                "choice",
                "What the person may do.",
                required=True,
                choices=("view", "enter", "approve"),
            ),
            C("active", "flag", "May the person still sign; empty: yes."),
            C("note", "text", "Anything else."),
        ),
        ("person_id",),
    ),
)

IMPORT_TABLES = (
    Table(
        "imports",
        "One file that was read into one table.",
        (
            C("import_id", "text", "Name of the import.", required=True),
            C("file", "text", "Name of the file as given.", required=True),
            C("sha256", "text", "SHA-256 of its bytes, 64 hex digits.", required=True),
            C("size", "integer", "Its size in bytes.", low=0),
            C("table", "text", "Table it went into.", required=True),
            C("mapping", "text", "Saved match of its headers to columns."),
            C("declared", "text", "Units and length types the person declared, as JSON."),
            C("rows", "integer", "Rows read.", low=0),
            C("added", "integer", "Records added.", low=0),
            C("changed", "integer", "Records changed.", low=0),
            C("same", "integer", "Rows that were in the register already.", low=0),
            C("queued", "integer", "Rows put in the merge queue.", low=0),
            C("note", "text", "Anything else."),
        ),
        ("import_id",),
    ),
    Table(
        "mappings",
        "One header of a kind of file and the column it means.",
        (
            C("mapping", "text", "Name of the match.", required=True),
            C("table", "text", "Table it is for.", required=True),
            C("header", "text", "Header in the file.", required=True),
            C("column", "text", "Column it means; empty: not read."),
            C("unit", "text", "Unit in the file when it is not the column's own."),
            C("note", "text", "Anything else."),
        ),
        ("mapping", "table", "header"),
    ),
    Table(
        "merge_queue",
        "One difference between two sources that a person decides.",
        (
            C("item_id", "text", "Name of the item.", required=True),
            C("table", "text", "Table.", required=True),
            C(
                "our_record",
                "integer",
                "Number of the record in this register; empty for a record that is only in the other.",
            ),
            C("record_key", "text", "Key of the record as text."),
            C("column", "text", "Column that differs; empty for a whole record."),
            C("ours", "text", "Value in this register."),
            C("theirs", "text", "Value in the other source."),
            C("theirs_source", "text", "File or register the other value comes from."),
            C("found_on", "date", "Day it was found."),
            C(
                "state",
                "choice",
                "What was decided.",
                required=True,
                choices=("open", "ours-kept", "theirs-taken", "both-kept", "dismissed"),
            ),
            C("decided_by", "text", "Who decided."),
            C("decided_on", "date", "Day of the decision."),
            C("reason", "text", "Why."),
        ),
        ("item_id",),
    ),
    Table(
        "finding_reviews",
        "What people decided about one finding of the checks.",
        (
            C("finding", "text", "Mark of the finding: the same facts give the same mark.", required=True),
            C("code", "text", "Code of the check.", required=True),
            C("table", "text", "Table."),
            C("record_key", "text", "Key of the record as text."),
            C("column", "text", "Column."),
            C("evidence", "text", "The facts that conflict."),
            C("who_decides", "text", "Role that decides."),
            C(
                "state",
                "choice",
                "Where it stands.",
                required=True,
                choices=("open", "reviewed", "accepted", "corrected"),
            ),
            C("decided_by", "text", "Who decided."),
            C("decided_on", "date", "Day of the decision."),
            C("reason", "text", "Why."),
        ),
        ("finding",),
    ),
)

PLAN_TABLES = (
    Table(
        "plans",
        "One version of one plan.",
        (
            C("plan_id", "text", "Name of the plan version.", required=True),
            C("kind", "text", "What is planned, such as spawning or release.", required=True),
            C("version", "integer", "Version; a new one voids the older sheets.", low=1),
            C("made_on", "date", "The programme's day."),
            C("made_by", "text", "Who made it."),
            C("data_change", "integer", "Change of the register it saw.", low=0),
            C("data_hash", "text", "Hash of that change."),
            C("seed", "integer", "Seed of its random steps."),
            C("settings", "text", "Settings that took part, as JSON."),
            C("mark", "text", "Mark printed on its sheets."),
            C(
                "state",
                "choice",
                "Where it stands.",
                required=True,
                choices=("draft", "proposed", "approved", "superseded", "carried-out", "dropped"),
            ),
            C("content", "text", "The plan as JSON."),
            C("note", "text", "Anything else."),
        ),
        ("plan_id",),
    ),
    Table(
        "plan_lines",
        "One line of one plan.",
        (
            C("plan_id", "text", "Plan.", required=True, refers="plans.plan_id"),
            C("line", "integer", "Number of the line.", required=True, low=1),
            C("what", "text", "What is to be done.", required=True),
            C("dam", "text", "Mother.", refers="fish.fish_id"),
            C("sire", "text", "Father.", refers="fish.fish_id"),
            C("fish_id", "text", "Fish.", refers="fish.fish_id"),
            C("family", "text", "Family.", refers="families.family_id"),
            C("unit", "text", "Tank or pond.", refers="units.unit_id"),
            C("site_id", "text", "Site.", refers="sites.site_id"),
            C("number", "integer", "Fish or dishes.", low=0),
            C("due_on", "date", "Day it is due."),
            C(
                "state",
                "choice",
                "What became of it.",
                choices=("open", "done", "done-otherwise", "not-done"),
            ),
            C("note", "text", "Anything else."),
        ),
        ("plan_id", "line"),
    ),
    Table(
        "decisions",
        "One decision and its reason.",
        (
            C("decision_id", "text", "Name of the decision.", required=True),
            C("decided_on", "date", "Day.", required=True),
            C("decided_by", "text", "Who decided.", required=True),
            C("subject", "text", "What it is about."),
            C("what", "text", "What was decided.", required=True),
            C("reason", "text", "Why.", required=True),
            C("evidence", "text", "What it rests on."),
            C("plan_id", "text", "Plan it belongs to.", refers="plans.plan_id"),
        ),
        ("decision_id",),
    ),
    Table(
        "proposals",
        "One act that a second person must confirm.",
        (
            C("proposal_id", "text", "Name of the proposal.", required=True),
            C(
                "act",
                "choice",
                "What is to be done.",
                required=True,
                choices=("release", "merge-fish", "euthanasia", "permit-exceeded", "other"),
            ),
            C("subject", "text", "Fish, lot, site or permit concerned.", required=True),
            C("content", "text", "The act in full, as JSON."),
            C("reason", "text", "Why.", required=True),
            C("proposed_by", "text", "Who proposes.", required=True),
            C("proposed_on", "date", "Day."),
            C(
                "state",
                "choice",
                "Where it stands.",
                required=True,
                choices=("open", "confirmed", "refused", "taken-back"),
            ),
            C("decided_by", "text", "The second person."),
            C("decided_on", "date", "Day of the answer."),
            C("answer", "text", "What the second person said."),
        ),
        ("proposal_id",),
    ),
)

CALL_TABLES = (
    Table(
        "call_sets",
        "One set of genotype calls, kept whole.",
        (
            C("call_set", "text", "Name: snps, microsatellites or another.", required=True),
            C("kind", "choice", "Kind of marker.", required=True, choices=("snp", "microsatellite")),
            C("blob", "text", "SHA-256 of the calls as they are kept.", required=True, refers="blobs.sha256"),
            C("samples", "integer", "Samples.", low=0),
            C("loci", "integer", "Loci.", low=0),
            C("marker_set", "text", "Marker set."),
            C("source", "text", "File the calls come from."),
            C("source_sha256", "text", "SHA-256 of that file."),
            C("note", "text", "Anything else."),
        ),
        ("call_set",),
    ),
    Table(
        "detection_days",
        "One tag heard at one reader on one day.",
        (
            C("deployment_id", "text", "Deployment.", required=True, refers="deployments.deployment_id"),
            C("day", "date", "Day by the reader's local time.", required=True),
            C("tag", "tag", "PIT code.", required=True),
            C("contacts", "integer", "Contacts on that day.", required=True, low=1),
            C("first_at", "datetime", "First contact, reader's local time."),
            C("last_at", "datetime", "Last contact, reader's local time."),
        ),
        ("deployment_id", "day", "tag"),
    ),
)

OWN_TABLES: dict[str, Table] = {
    t.name: t for t in (*PEOPLE_TABLES, *IMPORT_TABLES, *PLAN_TABLES, *CALL_TABLES)
}
"""All own tables by name."""
