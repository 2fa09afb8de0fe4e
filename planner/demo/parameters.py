"""The stated numbers behind the hidden truth: survival, growth, tag loss, detection, laboratory errors.

All are invented for the demo. Their magnitudes follow what field reports of long-lived desert river fish show:
first-year survival from a few per cent for small or summer-released fish to three quarters for large ones,
about three quarters a year later, tag loss of some per cent, capture chances of one to thirteen per cent.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields

import numpy as np

from broodstock.arrays import FloatArray

SEASONS = ("winter", "spring", "summer", "autumn")


@dataclass(frozen=True, slots=True)
class Truth:
    """Parameters of the hidden truth; `truth/parameters.csv` lists them."""

    ancestor_success_shape: float = 1.2
    wild_yearly_survival: float = 0.86
    wild_female_success_shape: float = 0.25
    wild_male_success_shape: float = 0.4
    mates_per_wild_female: int = 3
    spawning_sd_days: float = 17.0
    night_window_sd_days: float = 5.0
    hybrid_share_larvae: float = 0.006
    lake_logit_intercept: float = -7.5
    lake_logit_slope: float = 0.0168
    pond_logit_intercept: float = -4.9
    pond_logit_slope: float = 0.0195
    refuge_logit_intercept: float = -4.2
    refuge_logit_slope: float = 0.0195
    winter_shift: float = 0.10
    spring_shift: float = -0.10
    summer_shift: float = -1.60
    autumn_shift: float = 0.0
    glasswater_winter_shift: float = 0.45
    first_year_death_mean_days: float = 70.0
    lake_yearly_survival: float = 0.75
    pond_yearly_survival: float = 0.83
    refuge_yearly_survival: float = 0.90
    lake_stay_probability: float = 0.80
    length_at_infinity_female_mm: float = 597.0
    length_at_infinity_male_mm: float = 553.0
    growth_per_year: float = 0.845
    length_at_infinity_cv: float = 0.035
    condition_mean: float = 1.10
    condition_sd: float = 0.08
    measuring_sd_mm: float = 2.0
    standard_per_total_length: float = 0.85
    tag_loss_first_year: float = 0.04
    tag_loss_later_yearly: float = 0.008
    census_capture_probability: float = 0.055
    autumn_capture_probability: float = 0.03
    pond_capture_probability: float = 0.36
    wild_capture_factor: float = 0.30
    capture_spread: float = 0.8
    scan_near_share: float = 0.32
    scan_days_per_year: float = 13.0
    scan_spread: float = 0.8
    call_rate_mean: float = 0.97
    genotyping_error: float = 0.004
    morgan_per_megabase: float = 0.025


TRUTH = Truth()

UNITS = {
    "spawning_sd_days": "d",
    "night_window_sd_days": "d",
    "first_year_death_mean_days": "d",
    "lake_logit_slope": "1/mm",
    "pond_logit_slope": "1/mm",
    "refuge_logit_slope": "1/mm",
    "length_at_infinity_female_mm": "mm",
    "length_at_infinity_male_mm": "mm",
    "growth_per_year": "1/year",
    "measuring_sd_mm": "mm",
}
SENTENCES = {
    "wild_capture_factor": "Wild adults keep to deep water: their capture chance beside that of repatriates.",
    "capture_spread": "Standard deviation of the log capture odds between fish.",
    "scan_near_share": "Share of fish-years spent near enough to a reader to be read.",
    "scan_days_per_year": "Mean days a year on which such a fish passes the reader of a zone of middling detection.",
    "genotyping_error": "Share of calls that differ from the true genotype.",
    "wild_female_success_shape": "Shape of the gamma distribution of yearly success of wild females.",
    "wild_male_success_shape": "Shape of the gamma distribution of yearly success of wild males.",
    "night_window_sd_days": "Spread of the age of larvae that come to a light on one night.",
}
SITE_DETECTION = {"UN": 0.25, "GW": 0.8, "BB": 1.5, "DP": 1.0, "QL": 1.2, "SV": 1.2, "LT": 1.2, "PP": 0.6}
"""Detection by remote readers beside a zone of middling detection; sites not named have no reader."""
SITE_NETTING = {"UN": 0.4, "GW": 1.0, "BB": 1.2, "DP": 1.0}
"""Capture odds of a zone beside the mean."""


def parameter_rows() -> list[tuple[str, str, str, str]]:
    """Return name, value, unit and sentence of every parameter."""
    values = asdict(TRUTH)
    rows = [
        (f.name, repr(values[f.name]), UNITS.get(f.name, ""), SENTENCES.get(f.name, ""))
        for f in fields(Truth)
    ]
    rows += [(f"detection_{s}", repr(v), "", "Detection by readers.") for s, v in SITE_DETECTION.items()]
    rows += [(f"netting_{s}", repr(v), "", "Capture odds of the zone.") for s, v in SITE_NETTING.items()]
    return rows


def season_of(month: np.ndarray) -> np.ndarray:
    """Return the position in `SEASONS` of months 1 to 12: winter is December to February."""
    return (np.asarray(month) % 12 // 3).astype(np.int64)


def first_year_survival(length_mm: FloatArray, season: np.ndarray, site: str) -> FloatArray:
    """Return the chance to live one year after release.

    Parameters
    ----------
    length_mm : ndarray, float64, shape (n_fish,)
        Total length at release, mm.
    season : ndarray, int, shape (n_fish,)
        Position in `SEASONS`.
    site : str
        Site.

    Returns
    -------
    ndarray, float64, shape (n_fish,)
        Logistic in length, shifted by season and site.
    """
    shifts = np.array([TRUTH.winter_shift, TRUTH.spring_shift, TRUTH.summer_shift, TRUTH.autumn_shift])
    if site == "PP":
        logit = TRUTH.refuge_logit_intercept + TRUTH.refuge_logit_slope * length_mm
    elif site in ("QL", "NP", "SV", "LT", "HR", "VC"):
        logit = TRUTH.pond_logit_intercept + TRUTH.pond_logit_slope * length_mm
        logit = logit - (1.2 if site == "HR" else 0.4 if site == "VC" else 0.0)
    else:
        logit = TRUTH.lake_logit_intercept + TRUTH.lake_logit_slope * length_mm + shifts[season]
        if site == "GW":
            logit = logit + np.where(season == 0, TRUTH.glasswater_winter_shift, 0.0)
    return 1.0 / (1.0 + np.exp(-logit))


def yearly_survival(site: str) -> float:
    """Return the chance to live through a later year at a site."""
    if site == "PP":
        return TRUTH.refuge_yearly_survival
    return (
        TRUTH.pond_yearly_survival
        if site in ("QL", "NP", "SV", "LT", "HR", "VC")
        else TRUTH.lake_yearly_survival
    )


def grown_length(length_mm: FloatArray, asymptote_mm: FloatArray, years: FloatArray) -> FloatArray:
    """Return length after some years of growth by the von Bertalanffy curve through the length at release."""
    gap = np.maximum(asymptote_mm - length_mm, 2.0)
    return asymptote_mm - gap * np.exp(-TRUTH.growth_per_year * np.maximum(years, 0.0))
