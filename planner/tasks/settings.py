"""Settings of a programme: policy with a meaning and a source, never a number hidden in code."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from broodstock.errors import UsageError
from broodstock.findings import Findings, Place
from planner.tasks.monitoring_settings import MONITORING_SETTINGS
from planner.tasks.project_settings import PROJECT_SETTINGS
from planner.tasks.release_settings import RELEASE_SETTINGS
from planner.tasks.season_settings import SEASON_SETTINGS
from planner.tasks.sheet_settings import SHEET_CHOICES, SHEET_SETTINGS
from planner.tasks.spawning_settings import SPAWNING_CHOICES, SPAWNING_SETTINGS
from planner.tasks.tag_settings import TAG_SETTINGS

Value = str | int | float | dt.date


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting: its name, kind, default, range, meaning and the source of the default."""

    name: str
    kind: str
    default: Value
    sentence: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    source: str = "common practice, no source"
    choices: tuple[str, ...] = ()

    def parse(self, text: str) -> Value:
        """Return the value written as text.

        Raises
        ------
        UsageError
            If the text is not a value of this kind or lies outside the range.
        """
        if self.kind == "text":
            if self.choices and text not in self.choices:
                raise UsageError(self._message(text, f"one of {', '.join(self.choices)}"))
            return text
        try:
            value: Value
            if self.kind == "date":
                return dt.date.fromisoformat(text)
            value = int(text) if self.kind == "integer" else float(text)
        except ValueError:
            raise UsageError(self._message(text, f"a {self.kind}")) from None
        low = -float("inf") if self.low is None else self.low
        high = float("inf") if self.high is None else self.high
        if not low <= value <= high:  # also false for NaN
            raise UsageError(self._message(text, f"a {self.kind} from {low:g} to {high:g}"))
        return value

    def _message(self, text: str, expected: str) -> str:
        return (
            f"setting {self.name}: found {text!r}. Expected {expected}. Correct it in settings.csv or on the "
            "command line."
        )


UNSET_DAY = dt.date(1970, 1, 1)
"""Stands for a date that nobody set."""

S = Setting
SETTINGS: dict[str, Setting] = {
    s.name: s
    for s in (
        S("programme_name", "text", "Unnamed programme", "Name printed on sheets."),
        S("station", "text", "", "Hatchery printed on the spawning sheet."),
        S("species", "text", "", "Scientific name of the programme's species."),
        S(
            "today",
            "date",
            UNSET_DAY,
            "The day the records are read for; plans never use the machine's clock.",
        ),
        S("spawning_day", "date", UNSET_DAY, "Day of the spawning plan; default: today."),
        S("release_day", "date", UNSET_DAY, "Day of the release plan; default: today."),
        S("seed", "integer", 1, "Seed of every random step.", low=0, high=2**63 - 1),
        S("pair_kinship_limit", "number", 0.0625, "No pair may have a kinship above this.", low=0, high=0.5),
        S(
            "kinship_source",
            "text",
            "pedigree",
            "Where kinship comes from: the recorded pedigree with founders taken as "
            "unrelated, or the pedigree with founders related by their genotypes.",
            choices=("pedigree", "pedigree-and-markers"),
        ),
        S(
            "pair_limit_on",
            "text",
            "point",
            "Whether the pair limit holds for the estimate or for the upper limit of its "
            "interval (only with markers).",
            choices=("point", "upper"),
        ),
        S(
            "kinship_caution",
            "text",
            "nominal",
            "What a spawning plan makes small: kinship as estimated, kinship at the upper limits of its intervals, or "
            "the mean and the worst of several draws of kinship (the last two only with markers).",
            choices=("nominal", "interval", "sampled"),
        ),
        S(
            "caution_weight",
            "number",
            0.5,
            "With sampled kinship: weight of the worst draw; the rest is on the mean of the draws.",
            low=0,
            high=1,
            source="a choice: set your own",
        ),
        S("kinship_draws", "integer", 12, "With sampled kinship: draws.", low=2, high=100),
        S(
            "crosses_wanted",
            "integer",
            72,
            "Dishes to lay down, one female and one male each.",
            low=1,
            high=5000,
        ),
        S("cells", "integer", 80, "Incubator cells free.", low=1, high=100000),
        S("males_per_female_min", "integer", 2, "Fewest males for one female (a dish each).", low=1, high=50),
        S("males_per_female_max", "integer", 4, "Most males for one female.", low=1, high=50),
        S("female_uses_max", "integer", 4, "Most dishes of one female this season.", low=1, high=100),
        S("male_uses_max", "integer", 4, "Most dishes of one male this season.", low=1, high=100),
        S(
            "living_weight",
            "number",
            0.2,
            "Weight of the whole living group (with the new cohort in it) beside "
            "the cohort itself in the mean kinship that is made small.",
            low=0,
            high=1,
        ),
        S(
            "fry_kept_per_dish",
            "integer",
            900,
            "Fry kept of each dish after equalising; enters the living group as expected fish.",
            low=1,
            high=10_000_000,
        ),
        S(
            "fry_to_adult",
            "number",
            0.001,
            "Expected adults per fry kept, to weigh the new cohort against the living group.",
            low=0,
            high=1,
            source="invented for the demo; set your own",
        ),
        S("min_age_female", "integer", 3, "Youngest age of a spawning female.", unit="years", low=0, high=50),
        S("min_age_male", "integer", 2, "Youngest age of a spawning male.", unit="years", low=0, high=50),
        S("frozen_sires_max", "integer", 4, "Most males used from frozen milt.", low=0, high=100),
        S(
            "larval_group_kinship",
            "number",
            0.02,
            "Kinship of two wild larvae of one collection group: they are "
            "not unrelated for ever, a good night is full of sibs.",
            low=0,
            high=0.5,
        ),
        S(
            "release_wanted",
            "integer",
            0,
            "Fish to release this autumn; 0: all that may go.",
            low=0,
            high=10_000_000,
        ),
        S(
            "keep_back",
            "integer",
            0,
            "Fish to keep for the next broodstock and as a reserve.",
            low=0,
            high=10_000_000,
        ),
        S("keep_back_per_family", "integer", 0, "Fish of each family to keep.", low=0, high=100000),
        S(
            "families_in_at_least_sites",
            "integer",
            2,
            "Sites among which each family is spread.",
            low=1,
            high=50,
        ),
        S(
            "spread_from_size",
            "integer",
            10,
            "Families with fewer fish need not be spread.",
            low=1,
            high=100000,
        ),
        S(
            "family_share_cap",
            "number",
            0.15,
            "Largest share of one family among the fish of a backwater (arrivals and residents).",
            low=0.001,
            high=1,
        ),
        S(
            "family_place_cap",
            "number",
            0.6,
            "Largest share of a family's fish that one site may get.",
            low=0.01,
            high=1,
        ),
        S("size_class_mm", "integer", 50, "Width of a size class.", unit="mm", low=5, high=500),
        S(
            "predator_min_length_mm",
            "number",
            300,
            "Shortest fish for water with predators or unknown status.",
            unit="mm",
            low=0,
            high=1000,
        ),
        S(
            "survey_valid_days",
            "integer",
            365,
            "Days a predator survey stays valid; older counts as unknown.",
            low=1,
            high=10000,
        ),
        S(
            "across_weight",
            "number",
            1.0,
            "Weight of kinship across all sites beside kinship within sites.",
            low=0,
            high=1000,
        ),
        S(
            "survivors_share",
            "number",
            0.95,
            "Least share of the most expected survivors that any plan under the same rules can reach; the rest "
            "may be given up for less kinship.",
            low=0,
            high=1,
            source="a choice on the trade-off: set your own",
        ),
        S(
            "refuge_copies",
            "integer",
            0,
            "Fish of each family that every refuge must hold after the release.",
            low=0,
            high=1000,
        ),
        S("gap", "number", 0.001, "Stop when the proven gap is at most this share.", low=0, high=0.5),
        S("release_gap", "number", 0.005, "The same for a release plan.", low=0, high=0.5),
        S("time_limit", "number", 60, "Longest time for one plan.", unit="s", low=0.1, high=86400),
        S("bootstrap_replicates", "integer", 1000, "Replicates behind an interval.", low=99, high=100000),
        S("confidence", "number", 0.95, "Coverage of intervals.", low=0.5, high=0.999),
        S(
            "rarefy_to",
            "integer",
            0,
            "Gene copies to which allelic richness is rarefied; 0: the smallest group.",
            low=0,
            high=100000,
        ),
        S(
            "screen_allele",
            "number",
            0.05,
            "Alleles rarer than this are left out of linkage Ne.",
            low=0,
            high=0.4,
        ),
        S(
            "generation_years",
            "number",
            0,
            "Mean age of parents when their young are born; 0: not known, and no temporal Ne is made.",
            unit="years",
            low=0,
            high=200,
        ),
        S("sample_call_rate_min", "number", 0.8, "Samples typed at fewer loci are left out.", low=0, high=1),
        S("locus_call_rate_min", "number", 0.8, "Loci typed in fewer samples are left out.", low=0, high=1),
        S("hybrid_index_max", "number", 0.05, "Fish with more of the other species are held.", low=0, high=1),
        *(S(*row) for row in SPAWNING_SETTINGS),
        *(S(n, "text", d, w, source=f, choices=c) for n, d, w, f, c in SPAWNING_CHOICES),
        *(S(*row) for row in SEASON_SETTINGS),
        *(S(*row) for row in RELEASE_SETTINGS),
        *(S(*row) for row in TAG_SETTINGS),
        *(S(*row) for row in MONITORING_SETTINGS),
        *(S(*row) for row in PROJECT_SETTINGS),
        *(S(*row) for row in SHEET_SETTINGS),
        *(S(n, "text", d, w, source=f, choices=c) for n, d, w, f, c in SHEET_CHOICES),
    )
}


@dataclass(frozen=True)
class Settings:
    """Settings in force.

    Parameters
    ----------
    values : mapping
        Value by name, for every registered setting.
    sources : mapping
        Where each value comes from, in words.
    """

    values: Mapping[str, Value]
    sources: Mapping[str, str] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Any:
        return self.values[name]

    def day(self, name: str) -> dt.date:
        """Return a date setting, falling back on `today`.

        Raises
        ------
        UsageError
            If neither is set: plans never use the machine's clock.
        """
        for candidate in (name, "today"):
            value = self.values[candidate]
            if isinstance(value, dt.date) and value != UNSET_DAY:
                return value
        raise UsageError(
            f"setting {name}: found no date. Expected an ISO date. Add 'today' to settings.csv or give "
            f"--set {name}=YYYY-MM-DD; plans never use the machine's clock."
        )

    def used(self, names: Iterable[str]) -> dict[str, Any]:
        """Return some settings as plain values, for provenance."""
        out = {n: self.values[n] for n in names}
        return {n: v.isoformat() if isinstance(v, dt.date) else v for n, v in out.items()}

    def with_overrides(self, overrides: Mapping[str, str]) -> Settings:
        """Return settings with some values given as text, for example on the command line.

        Raises
        ------
        UsageError
            If a name is unknown or a value does not parse.
        """
        values, sources = dict(self.values), dict(self.sources)
        for name, text in overrides.items():
            values[name] = _known(name).parse(text)
            sources[name] = "given for this run"
        return Settings(values, sources)


def _known(name: str) -> Setting:
    if name not in SETTINGS:
        near = difflib.get_close_matches(name, SETTINGS, 1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise UsageError(f"setting: found {name!r}. Expected a name from 'kinshoal settings'.{hint}")
    return SETTINGS[name]


def read_settings(rows: Iterable[tuple[int, str, str, str]], file: str) -> tuple[Settings, Findings]:
    """Read settings from table rows; every registered setting gets a value.

    Parameters
    ----------
    rows : iterable of (int, str, str, str)
        Row number, name, value, source.
    file : str
        File name for findings.

    Returns
    -------
    Settings, Findings
        Values and the faults: ``setting-unknown`` (warning) and ``setting-value`` (error).
    """
    values: dict[str, Value] = {s.name: s.default for s in SETTINGS.values()}
    sources = {s.name: f"default: {s.source}" for s in SETTINGS.values()}
    findings = Findings()
    for row, name, text, source in rows:
        if name not in SETTINGS:
            near = difflib.get_close_matches(name, SETTINGS, 1)
            findings.add(
                "setting-unknown",
                Place(file, row, "name"),
                repr(name),
                "a setting listed by 'kinshoal settings'",
                f"Did you mean {near[0]!r}? The row has no effect." if near else "The row has no effect.",
                "warning",
            )
            continue
        try:
            values[name] = SETTINGS[name].parse(text)
            sources[name] = source or file
        except UsageError as error:
            findings.add(
                "setting-value",
                Place(file, row, "value"),
                repr(text),
                str(error).split("Expected ")[1].split(".")[0],
                "Correct it.",
            )
    return Settings(values, sources), findings
