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

TRUCKS: tuple[Row, ...] = (
    ("trucks", "integer", 3, "Like trucks, named 'truck 1' and so on, when there is no table of trucks.", "", 0, 100,
     PRACTICE),
    ("truck_volume_l", "number", 1200, "Water in the tanks of such a truck.", "L", 1, 100000, PRACTICE),
    ("truck_kg_per_l", "number", 0.08, "Most fish mass in it.", "kg/L", 0.001, 1, "0.06 to 0.1 for rare adults, "
     + PRACTICE),
    ("truck_trips_per_day", "integer", 2, "Most trips of such a truck on a day.", "", 0, 20, PRACTICE),
    ("truck_stops", "integer", 2, "Most waters on one of its trips.", "", 1, 4, PRACTICE),
    ("crews_per_day", "integer", 3, "Crews on each day; a truck on the road needs one.", "", 0, 100, PRACTICE),
    ("release_days", "integer", 5, "Days over which the fish may be carried.", "days", 1, 60, PRACTICE),
    ("station_km", "number", 0, "Where the station lies along the river.", "km", 0, 5000, PRACTICE),
    ("far_site_km", "number", 100, "Distance from the station of a site without river km and without a row in the "
     "table of distances.", "km", 0, 10000, "a guess; set your own, or add the row"),
    ("truck_cost_per_km", "number", 0, "Cost of a km driven by a truck, in your money; 0: no cost is shown.", "per km",
     0, 100000, "your accounts"),
    ("crew_day_cost", "number", 0, "Cost of a truck and its crew for a day on the road, in your money; 0: no cost is "
     "shown.", "per day", 0, 10000000, "your accounts"),
)  # fmt: skip

RELEASE_SETTINGS: tuple[Row, ...] = (*RULES, *TRUCKS)
