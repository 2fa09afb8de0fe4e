"""Settings of a release beyond the first ones: sexes, water temperature, partners, trucks, near-best plans.

Rows of name, kind, default, sentence, unit, lowest, highest, source; `planner.tasks.settings` registers them.
"""

from __future__ import annotations

from planner.tasks.season_settings import PRACTICE, Row

RULES: tuple[Row, ...] = (
    ("female_share_min", "number", 0.0, "Least share of females among the fish of known sex sent to a backwater; "
     "0: no such rule.", "", 0, 1, PRACTICE),
    ("female_share_max", "number", 1.0, "Largest share of females among them; 1: no such rule.", "", 0, 1, PRACTICE),
    ("sex_known_from", "integer", 10, "The share of females counts where at least this many fish of known sex are "
     "sent.", "fish", 1, 1000000, PRACTICE),
    ("temperature_step_c", "number", 0.0, "Largest step in water temperature without tempering; sites where fish "
     "can be tempered say so. 0: no such rule.", "C", 0, 50, "2 to 3 C, " + PRACTICE),
    ("partner_shares", "text", "", "Shares of all fish released that partners agreed on, by the column 'partner' of "
     "the sites: 'North office: 0.3-0.5; South office: 0.2-1'. Empty: no such rule.", "", None, None, PRACTICE),
)  # fmt: skip

RELEASE_SETTINGS: tuple[Row, ...] = RULES
