"""What a release plan is made from: groups of fish, families, sites and settings, checked and frozen.

A group is one family in one size class (and one year class, one source, one state of health): its fish
are interchangeable for the plan. All arrays are plain numpy; identifiers are kept beside them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from broodstock.arrays import BigIntArray, BoolArray, FloatArray
from planner.optimise.release.settings import NO_LIMIT, UNKNOWN_C, ReleaseSettings

PREDATORS = ("none", "present", "unknown")
"""Words for the state of non-native predators at a site; ``unknown`` is treated as ``present``."""


@dataclass(frozen=True)
class Families:
    """The families the groups and the residents belong to.

    Parameters
    ----------
    name : tuple of str
        Identifiers, unique, length n_families.
    kinship : ndarray, float64, shape (n_families, n_families)
        Mean kinship of two distinct fish, one of each family. The diagonal is the kinship of two
        distinct members of one family, NOT the kinship of a fish with itself. Symmetric, without a
        negative eigenvalue (a mean over parents never has one).
    self_kinship : ndarray, float64, shape (n_families,)
        Kinship of a fish with itself, (1 + F) / 2. Used only where a measure counts self-pairs.
    elsewhere : ndarray, int64, shape (n_families,)
        Living fish of the family that are in none of the groups and at none of the sites.
    single : ndarray, bool, shape (n_families,)
        True for a real family or larval group: the rules about families hold for it. False for fish of
        unknown family.
    min_sites : ndarray, int64, shape (n_families,)
        Sites the family must live in; -1: as the setting says.
    keep_back : ndarray, int64, shape (n_families,)
        Fish of the family, of those in the groups, that stay at the station.
    """

    name: tuple[str, ...]
    kinship: FloatArray
    self_kinship: FloatArray
    elsewhere: BigIntArray
    single: BoolArray
    min_sites: BigIntArray
    keep_back: BigIntArray

    @classmethod
    def make(
        cls,
        name: Sequence[str],
        kinship: npt.ArrayLike,
        *,
        self_kinship: npt.ArrayLike = 0.5,
        elsewhere: npt.ArrayLike = 0,
        single: npt.ArrayLike = True,
        min_sites: npt.ArrayLike = NO_LIMIT,
        keep_back: npt.ArrayLike = 0,
    ) -> Families:
        """Return families; one number stands for every family. The arguments are those of the class."""
        n = len(name)
        return cls(
            tuple(name),
            np.zeros((0, 0)) if n == 0 else np.array(kinship, dtype=np.float64),
            _cells(self_kinship, (n,), np.float64),
            _cells(elsewhere, (n,), np.int64),
            _cells(single, (n,), np.bool_),
            _cells(min_sites, (n,), np.int64),
            _cells(keep_back, (n,), np.int64),
        )

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True)
class Groups:
    """Groups of fish at the station that may be released.

    Parameters
    ----------
    name : tuple of str
        Identifiers, unique, length n_groups.
    family : ndarray, int64, shape (n_groups,)
        Position of the family in `Families`.
    size_class : tuple of str
        Name of the size class of each group.
    available : ndarray, int64, shape (n_groups,)
        Living fish.
    length_mm : ndarray, float64, shape (n_groups,)
        Mean total length, mm.
    shortest_mm : ndarray, float64, shape (n_groups,)
        Total length of the shortest fish, mm: the rules about length hold for every fish of a group.
    weight_g : ndarray, float64, shape (n_groups,)
        Mean weight, g.
    year_class : ndarray, int64, shape (n_groups,)
        Year class.
    water_risk : ndarray, int64, shape (n_groups,)
        Risk rank of the water the fish live in now.
    health_hold : ndarray, bool, shape (n_groups,)
        True while a health hold is open or the certificate is not valid on the day of release.
    withdrawal_hold : ndarray, bool, shape (n_groups,)
        True while a withdrawal time is not over on the day of release.
    other_species : ndarray, bool, shape (n_groups,)
        True for fish flagged as not the programme's species.
    sex_doubt : ndarray, bool, shape (n_groups,)
        True for fish of another sex by DNA than recorded: fish, sample or record may be of another.
    sex : tuple of str
        ``female``, ``male`` or ``unknown`` for every fish of the group.
    water_c : ndarray, float64, shape (n_groups,)
        Temperature of the water the fish live in now, degrees Celsius; -99: nobody took it.
    """

    name: tuple[str, ...]
    family: BigIntArray
    size_class: tuple[str, ...]
    available: BigIntArray
    length_mm: FloatArray
    shortest_mm: FloatArray
    weight_g: FloatArray
    year_class: BigIntArray
    water_risk: BigIntArray
    health_hold: BoolArray
    withdrawal_hold: BoolArray
    other_species: BoolArray
    sex_doubt: BoolArray
    sex: tuple[str, ...]
    water_c: FloatArray

    @classmethod
    def make(
        cls,
        name: Sequence[str],
        family: npt.ArrayLike,
        available: npt.ArrayLike,
        length_mm: npt.ArrayLike,
        *,
        shortest_mm: npt.ArrayLike | None = None,
        weight_g: npt.ArrayLike = 300.0,
        size_class: Sequence[str] | None = None,
        year_class: npt.ArrayLike = 0,
        water_risk: npt.ArrayLike = 0,
        health_hold: npt.ArrayLike = False,
        withdrawal_hold: npt.ArrayLike = False,
        other_species: npt.ArrayLike = False,
        sex_doubt: npt.ArrayLike = False,
        sex: Sequence[str] | None = None,
        water_c: npt.ArrayLike = UNKNOWN_C,
    ) -> Groups:
        """Return groups; one number stands for every group. The arguments are those of the class."""
        n = len(name)
        lengths = _cells(length_mm, (n,), np.float64)
        return cls(
            tuple(name),
            _cells(family, (n,), np.int64),
            tuple(size_class) if size_class is not None else ("all",) * n,
            _cells(available, (n,), np.int64),
            lengths,
            lengths.copy() if shortest_mm is None else _cells(shortest_mm, (n,), np.float64),
            _cells(weight_g, (n,), np.float64),
            _cells(year_class, (n,), np.int64),
            _cells(water_risk, (n,), np.int64),
            _cells(health_hold, (n,), np.bool_),
            _cells(withdrawal_hold, (n,), np.bool_),
            _cells(other_species, (n,), np.bool_),
            _cells(sex_doubt, (n,), np.bool_),
            tuple(sex) if sex is not None else ("unknown",) * n,
            _cells(water_c, (n,), np.float64),
        )

    def __len__(self) -> int:
        return len(self.name)

    @property
    def on_hold(self) -> BoolArray:
        """True for groups that a hold, a withdrawal time, another species or a doubtful sex keeps at the station."""
        return self.health_hold | self.withdrawal_hold | self.other_species | self.sex_doubt


@dataclass(frozen=True)
class Sites:
    """The waters that may receive fish.

    Parameters
    ----------
    name : tuple of str
        Identifiers, unique, length n_sites.
    kind : tuple of str
        Kind of water, only shown.
    capacity_fish : ndarray, int64, shape (n_sites,)
        Most fish it may hold, residents counted; -1: no limit.
    capacity_kg : ndarray, float64, shape (n_sites,)
        Most fish mass it may hold, kg; infinite: no limit.
    residents : ndarray, int64, shape (n_families, n_sites)
        Fish believed to live there, by family.
    resident_kg : ndarray, float64, shape (n_sites,)
        Mass of the residents, kg.
    resident_survival : ndarray, float64, shape (n_sites,)
        Expected share of the residents alive at the horizon of the survival of released fish.
    predators : tuple of str
        ``none``, ``present`` or ``unknown``; unknown is treated as present.
    connected : ndarray, bool, shape (n_sites,)
        True when fish can leave or enter (seasonal or open connection, doubtful screen).
    open : ndarray, bool, shape (n_sites,)
        True when it may receive fish at all.
    min_length_mm : ndarray, float64, shape (n_sites,)
        Shortest fish it may receive, mm.
    min_group : ndarray, int64, shape (n_sites,)
        Smallest group worth sending; fewer fish are not sent at all.
    wanted : ndarray, int64, shape (n_sites,)
        The plan sends exactly this many; -1: the plan decides.
    min_receive, max_receive : ndarray, int64, shape (n_sites,)
        Fewest fish to send; most fish to send (-1: no limit).
    min_year_classes : ndarray, int64, shape (n_sites,)
        Year classes a new group (site without residents) must be mixed from, if fish are sent.
    min_families : ndarray, int64, shape (n_sites,)
        Families that must live there after the release, if fish are sent.
    family_cap : ndarray, float64, shape (n_sites,)
        Largest share of one family among arrivals and residents; 1: no cap.
    refuge_copies : ndarray, int64, shape (n_families, n_sites)
        Fish of a family that must live there after the release, residents counted.
    weight : ndarray, float64, shape (n_sites,)
        Weight of the kinship within this site in the objective.
    water_risk : ndarray, int64, shape (n_sites,)
        Risk rank of its water.
    curve : ndarray, int64, shape (n_sites,)
        Number of the survival curve behind the site's column: sites of one curve share its error.
    closed_months : ndarray, bool, shape (12, n_sites)
        Months, January first, in which it receives no fish.
    water_c : ndarray, float64, shape (n_sites,)
        Temperature of its water, degrees Celsius; -99: nobody took it.
    tempering : ndarray, bool, shape (n_sites,)
        True when fish can be tempered to its water on the shore.
    female_low, female_high : ndarray, float64, shape (n_sites,)
        Least and largest share of females among the fish of known sex that are sent; 0 and 1: no such rule.
    sex_known_from : ndarray, int64, shape (n_sites,)
        The share of females counts where at least this many fish of known sex are sent; 1 or more.
    """

    name: tuple[str, ...]
    kind: tuple[str, ...]
    capacity_fish: BigIntArray
    capacity_kg: FloatArray
    residents: BigIntArray
    resident_kg: FloatArray
    resident_survival: FloatArray
    predators: tuple[str, ...]
    connected: BoolArray
    open: BoolArray
    min_length_mm: FloatArray
    min_group: BigIntArray
    wanted: BigIntArray
    min_receive: BigIntArray
    max_receive: BigIntArray
    min_year_classes: BigIntArray
    min_families: BigIntArray
    family_cap: FloatArray
    refuge_copies: BigIntArray
    weight: FloatArray
    water_risk: BigIntArray
    curve: BigIntArray
    closed_months: BoolArray
    water_c: FloatArray
    tempering: BoolArray
    female_low: FloatArray
    female_high: FloatArray
    sex_known_from: BigIntArray

    @classmethod
    def make(cls, name: Sequence[str], n_families: int, **given: Any) -> Sites:
        """Return sites.

        Parameters
        ----------
        name : sequence of str
            Identifiers.
        n_families : int
            Number of families.
        **given : array_like
            Any other field of the class; one value stands for every site. What is left out sets no limit:
            open, no predators, not connected, no residents, weight 1.

        Raises
        ------
        TypeError
            If a field does not exist.
        """
        n = len(name)
        unknown = sorted(set(given) - set(_SITE_DEFAULTS))
        if unknown:
            raise TypeError(f"sites: found the field {unknown[0]!r}. Expected one of {list(_SITE_DEFAULTS)}.")
        fields: dict[str, Any] = {}
        for field_name, (kind, default) in _SITE_DEFAULTS.items():
            value = given.get(field_name, default)
            if kind is str:
                fields[field_name] = (value,) * n if isinstance(value, str) else tuple(value)
            elif field_name in ("residents", "refuge_copies"):
                fields[field_name] = _cells(value, (n_families, n), kind)
            elif field_name == "closed_months":
                fields[field_name] = _cells(value, (12, n), kind)
            else:
                fields[field_name] = _cells(value, (n,), kind)
        if "curve" not in given:
            fields["curve"] = np.arange(n, dtype=np.int64)
        return cls(tuple(name), **fields)

    def __len__(self) -> int:
        return len(self.name)

    @property
    def resident_number(self) -> BigIntArray:
        """Residents of each site, shape (n_sites,)."""
        return np.asarray(self.residents.sum(axis=0), dtype=np.int64)

    @property
    def room(self) -> BigIntArray:
        """Fish each site can still take by capacity and by `max_receive`; -1 where nothing limits it."""
        by_capacity = np.where(
            self.capacity_fish == NO_LIMIT,
            np.iinfo(np.int64).max,
            np.maximum(self.capacity_fish - self.resident_number, 0),
        )
        by_order = np.where(self.max_receive == NO_LIMIT, np.iinfo(np.int64).max, self.max_receive)
        room = np.minimum(by_capacity, by_order)
        return np.where(room == np.iinfo(np.int64).max, NO_LIMIT, room)


_SITE_DEFAULTS: dict[str, tuple[Any, Any]] = {
    "kind": (str, "water"),
    "capacity_fish": (np.int64, NO_LIMIT),
    "capacity_kg": (np.float64, np.inf),
    "residents": (np.int64, 0),
    "resident_kg": (np.float64, 0.0),
    "resident_survival": (np.float64, 1.0),
    "predators": (str, "none"),
    "connected": (np.bool_, False),
    "open": (np.bool_, True),
    "min_length_mm": (np.float64, 0.0),
    "min_group": (np.int64, 0),
    "wanted": (np.int64, NO_LIMIT),
    "min_receive": (np.int64, 0),
    "max_receive": (np.int64, NO_LIMIT),
    "min_year_classes": (np.int64, 0),
    "min_families": (np.int64, 0),
    "family_cap": (np.float64, 1.0),
    "refuge_copies": (np.int64, 0),
    "weight": (np.float64, 1.0),
    "water_risk": (np.int64, 0),
    "curve": (np.int64, 0),
    "closed_months": (np.bool_, False),
    "water_c": (np.float64, UNKNOWN_C),
    "tempering": (np.bool_, False),
    "female_low": (np.float64, 0.0),
    "female_high": (np.float64, 1.0),
    "sex_known_from": (np.int64, 1),
}


@dataclass(frozen=True)
class ReleaseData:
    """Everything a release plan is made from.

    Parameters
    ----------
    families : Families
        Families and their kinship.
    groups : Groups
        Fish at the station.
    sites : Sites
        Waters.
    survival : ndarray, float64, shape (n_groups, n_sites)
        Expected share of a group alive at the horizon (one year) if released at the site now.
    survival_se : ndarray, float64, shape (n_groups, n_sites)
        Standard errors of `survival`, on the same scale; the errors of one curve go together.
    forbidden : ndarray, bool, shape (n_groups, n_sites)
        Moves that are not allowed by decision.
    committed : ndarray, int64, shape (n_groups, n_sites)
        Fish already sent or promised, which the plan must contain.
    settings : ReleaseSettings
        Choices.

    Raises
    ------
    ShapeError
        If an array has a wrong shape.
    ValueRangeError
        If any number is impossible; the message lists every fault.
    """

    families: Families
    groups: Groups
    sites: Sites
    survival: FloatArray
    survival_se: FloatArray
    forbidden: BoolArray
    committed: BigIntArray
    settings: ReleaseSettings

    def __post_init__(self) -> None:
        from planner.optimise.release.validate import validate

        validate(self)

    @classmethod
    def make(
        cls,
        families: Families,
        groups: Groups,
        sites: Sites,
        survival: npt.ArrayLike,
        *,
        survival_se: npt.ArrayLike = 0.0,
        forbidden: npt.ArrayLike = False,
        committed: npt.ArrayLike = 0,
        settings: ReleaseSettings | None = None,
    ) -> ReleaseData:
        """Return checked data; one number stands for every cell. The arguments are those of the class."""
        shape = (len(groups), len(sites))
        return cls(
            families,
            groups,
            sites,
            _cells(survival, shape, np.float64),
            _cells(survival_se, shape, np.float64),
            _cells(forbidden, shape, np.bool_),
            _cells(committed, shape, np.int64),
            settings or ReleaseSettings(),
        )

    @property
    def n_families(self) -> int:
        """Number of families."""
        return len(self.families)

    @property
    def n_groups(self) -> int:
        """Number of groups."""
        return len(self.groups)

    @property
    def n_sites(self) -> int:
        """Number of sites."""
        return len(self.sites)

    @property
    def membership(self) -> FloatArray:
        """1.0 where a group belongs to a family, shape (n_families, n_groups)."""
        member = np.zeros((self.n_families, self.n_groups))
        member[self.groups.family, np.arange(self.n_groups)] = 1.0
        return member

    @property
    def living_residents(self) -> FloatArray:
        """Residents expected alive at the horizon, shape (n_families, n_sites)."""
        return self.sites.residents * self.sites.resident_survival

    def living(self, numbers: FloatArray | BigIntArray) -> FloatArray:
        """Return fish expected alive at the horizon by family and site, arrivals and residents.

        Parameters
        ----------
        numbers : ndarray, int64 or float64, shape (n_groups, n_sites)
            Fish sent.

        Returns
        -------
        ndarray, float64, shape (n_families, n_sites)
            Survival-weighted arrivals plus residents.
        """
        return self.membership @ (numbers * self.survival) + self.living_residents

    @property
    def family_living(self) -> BigIntArray:
        """Living fish of each family today: in groups, at sites and elsewhere, shape (n_families,)."""
        held = np.bincount(
            self.groups.family, weights=self.groups.available, minlength=self.n_families
        ).astype(np.int64)
        return np.asarray(held + self.sites.residents.sum(axis=1) + self.families.elsewhere, dtype=np.int64)

    def with_settings(self, **changes: Any) -> ReleaseData:
        """Return the same data with some settings changed; the names are those of `ReleaseSettings`."""
        return replace(self, settings=replace(self.settings, **changes))

    def with_sites(self, **changes: Any) -> ReleaseData:
        """Return the same data with some fields of `Sites` replaced."""
        return replace(self, sites=replace(self.sites, **changes))


def _cells(values: npt.ArrayLike, shape: tuple[int, ...], kind: Any) -> Any:
    """Return an own array of the kind; a single value fills the shape.

    Numbers that are not whole are left as they are where whole numbers belong, so that the check of the
    data can refuse them by name instead of cutting them off.
    """
    array = np.asarray(values)
    if kind is np.int64 and array.dtype.kind == "f" and not bool((array == np.rint(array)).all()):
        kind = np.float64
    if array.ndim == 0:
        return np.full(shape, array.item(), dtype=kind)
    return array.astype(kind)
