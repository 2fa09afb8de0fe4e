"""Faults about lots and about the order of states."""

from __future__ import annotations

from broodstock.findings_catalogue.entry import Entry

ENTRIES = (
    Entry(
        "status-jump",
        "Lots",
        ("warning",),
        "A fish is in a state that cannot follow the one before it.",
        "Find the event that is missing, or correct the code or the day.",
    ),
    Entry(
        "lot-event-incomplete",
        "Lots",
        ("warning",),
        "An event of a lot does not say what its kind needs.",
        "Complete the row.",
    ),
    Entry(
        "lot-more-out-than-in",
        "Lots",
        ("warning",),
        "More fish left a lot than came to it, beyond the errors of the counts.",
        "Count again; fish of another lot may be mixed in.",
    ),
    Entry(
        "lot-empty-moved",
        "Lots",
        ("warning",),
        "Fish were taken from a lot or place that holds none of them.",
        "Correct the lot, the place or the day, or add the missing event.",
    ),
    Entry(
        "lot-loss-unexplained",
        "Lots",
        ("warning",),
        "A lot holds fewer fish than its events let expect, beyond the errors of the counts.",
        "Look for deaths, escapes or moves that were not entered.",
    ),
    Entry(
        "lot-count-too-high",
        "Lots",
        ("warning",),
        "A lot holds more fish than its events let expect, beyond the errors of the counts.",
        "Count again; fish of another lot may be mixed in.",
    ),
    Entry(
        "lot-name-reused",
        "Lots",
        ("warning",),
        "The name of a lot is used for fish of another year class, or looks like another name.",
        "Give the new fish a lot with a new name.",
    ),
    Entry(
        "lot-not-open",
        "Lots",
        ("warning",),
        "An event of a lot lies before its opening or after its closing.",
        "Correct the day or the lot.",
    ),
    Entry(
        "lot-family-unexpected",
        "Lots",
        ("warning",),
        "DNA found a family in a lot where the records put none.",
        "Look for a mix-up of fish or of samples.",
    ),
    Entry(
        "lot-families-not-told-apart",
        "Lots",
        ("note",),
        "A lot of several families does not say how they can be told apart.",
        "Enter marks, parent-dna or not.",
    ),
)
