"""Settings of paper: the label stock in the printer, and how the cells of the incubators stand.

Rows of name, kind, default, sentence, unit, lowest, highest, source; `planner.tasks.settings` registers them.
"""

from __future__ import annotations

from planner.tasks.season_settings import PRACTICE, Row

STOCK = "common practice, no source: A4 with 3 x 8 labels; measure your own stock"

LABELS: tuple[Row, ...] = (
    ("label_page_width", "number", 210, "Width of the page of labels; of a roll, the width of one label.", "mm",
     10, 500, STOCK),
    ("label_page_height", "number", 297, "Height of that page; of a roll, the height of one label.", "mm",
     6, 500, STOCK),
    ("label_columns", "integer", 3, "Labels beside each other on a page.", "", 1, 30, STOCK),
    ("label_rows", "integer", 8, "Labels below each other on a page; 1 on a roll.", "", 1, 60, STOCK),
    ("label_width", "number", 64, "Width of one label.", "mm", 8, 500, STOCK),
    ("label_height", "number", 33.9, "Height of one label.", "mm", 5, 500, STOCK),
    ("label_margin_left", "number", 6.5, "From the left edge of the page to the first label.", "mm", 0, 200, STOCK),
    ("label_margin_top", "number", 12.9, "From the upper edge of the page to the first label.", "mm", 0, 200, STOCK),
    ("label_gap_across", "number", 2.5, "Gap between labels beside each other.", "mm", 0, 100, STOCK),
    ("label_gap_down", "number", 0, "Gap between labels below each other.", "mm", 0, 100, STOCK),
    ("label_inset", "number", 1.8, "Edge of a label that is left white, for a printer that does not feed exactly.",
     "mm", 0, 20, PRACTICE),
    ("label_text_least", "number", 7, "Smallest type on a label that an eye still reads wet.", "pt", 4, 20, PRACTICE),
    ("label_dots_per_inch", "integer", 300, "Dots of the label printer; bars and squares are whole dots wide.",
     "per inch", 150, 2400, PRACTICE),
)  # fmt: skip

INCUBATOR: tuple[Row, ...] = (
    ("incubator_columns", "integer", 8, "Cells of one tray or row of the incubator map, in walking order.",
     "cells", 1, 12, "invented for the demo; set your own"),
    ("incubator_rows", "integer", 2, "Trays or rows of the map that share one water supply.", "rows", 1, 100,
     "invented for the demo; set your own"),
    ("incubator_days", "integer", 45, "Days after laying that a dish may still be in its cell.", "days", 1, 400,
     PRACTICE),
    ("weight_loss_warn", "number", 0.15, "Share of its last weight that a fish may lose before the manager is told.",
     "", 0.01, 0.9, PRACTICE),
    ("fertilised_looked_at", "integer", 100, "Eggs looked at for the share fertilised.", "eggs", 10, 10000,
     "about 100 at 24 hours; common practice, no source"),
)  # fmt: skip

SHEET_SETTINGS: tuple[Row, ...] = (*LABELS, *INCUBATOR)

SHEET_CHOICES: tuple[tuple[str, str, str, str, tuple[str, ...]], ...] = (
    ("label_code", "qr", "Code on a label: QR holds the whole label, Code 128 only the name, none leaves it off.",
     PRACTICE, ("qr", "code-128", "none")),
    ("label_frame", "none", "Thin frame to cut plain waterproof paper along, or none for labels that are cut already.",
     PRACTICE, ("none", "line")),
)  # fmt: skip
"""Name, default, sentence, source and choices of settings that are words."""
