"""Random genotype sets, and open data sets taken from Debian packages at test time."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from broodstock.genotypes.genotype_set import GenotypeSet, Locus

MakeSet = Callable[..., GenotypeSet]


def genotype_set(calls: np.ndarray, n_alleles: int | None = None, roles: Sequence[str] = ()) -> GenotypeSet:
    """Wrap a call array, shape (n_loci, n_fish, 2), with invented labels."""
    n_loci, n_fish = calls.shape[:2]
    top = n_alleles if n_alleles is not None else int(calls.max(initial=0)) + 1
    roles = roles or ["neutral"] * n_loci
    return GenotypeSet(
        tuple(f"LF-{i:04d}" for i in range(n_fish)),
        tuple(Locus(f"Lyp{i:03d}", role=roles[i]) for i in range(n_loci)),
        tuple(tuple(f"a{k}" for k in range(top)) for _ in range(n_loci)),
        calls.astype(np.int16),
    )


@pytest.fixture(scope="session")
def wrap_calls() -> MakeSet:
    return genotype_set


@pytest.fixture(scope="session")
def random_set() -> MakeSet:
    """Return a maker of sets in Hardy-Weinberg proportions: (n_loci, n_fish, n_alleles, seed, missing)."""

    def make(
        n_loci: int = 12, n_fish: int = 30, n_alleles: int = 4, seed: int = 1, missing: float = 0.05
    ) -> GenotypeSet:
        rng = np.random.default_rng(seed)
        p = rng.dirichlet(np.full(n_alleles, 1.5), size=n_loci)
        calls = np.stack([rng.choice(n_alleles, size=(n_fish, 2), p=row) for row in p])
        calls[rng.random((n_loci, n_fish)) < missing] = -1
        return genotype_set(calls, n_alleles)

    return make


@pytest.fixture(scope="session")
def debian_data() -> Callable[[str, str], Any]:
    """Return a reader of data sets in Debian packages: ``debian_data("r-cran-ade4", "humDNAm")``.

    The package file is fetched once into a cache directory outside the repository (KINSHOAL_TEST_CACHE, or
    a directory of the system's temporary files), unpacked there and read without R. The data are under
    the package's licence and are never copied into the repository.
    """
    cache = Path(os.environ.get("KINSHOAL_TEST_CACHE") or Path(tempfile.gettempdir()) / "kinshoal-test-data")

    def read(package: str, name: str) -> Any:
        import rdata

        unpacked = cache / package
        if not (unpacked / "usr").is_dir():
            _fetch(package, cache, unpacked)
        found = sorted(unpacked.glob(f"usr/lib/R/site-library/*/data/{name}.rda"))
        if not found:
            pytest.fail(f"{package} holds no data set {name}")
        with warnings.catch_warnings():
            # rdata has no constructor for some R classes and says that it returns their parts, as wanted.
            warnings.simplefilter("ignore", UserWarning)
            parsed = rdata.parser.parse_file(found[0])
            return rdata.conversion.convert(parsed, default_encoding="latin1")[name]

    return read


def _fetch(package: str, cache: Path, unpacked: Path) -> None:
    cache.mkdir(parents=True, exist_ok=True)
    # Own directory: other test processes may fetch at the same time.
    work = Path(tempfile.mkdtemp(dir=cache))
    download = ["apt-get", "download", package]
    try:
        run = subprocess.run(download, cwd=work, capture_output=True, text=True, timeout=120)
        if run.returncode != 0:
            subprocess.run(["apt-get", "update"], capture_output=True, timeout=180, check=False)
            run = subprocess.run(download, cwd=work, capture_output=True, text=True, timeout=120)
    except (OSError, subprocess.TimeoutExpired) as error:
        pytest.skip(f"the Debian package {package} is out of reach: {error}")
    files = sorted(work.glob(f"{package}_*.deb"))
    if run.returncode != 0 or not files:
        pytest.skip(f"the Debian package {package} is out of reach: {run.stderr.strip()[-200:]}")
    subprocess.run(["dpkg", "-x", str(files[-1]), str(work / "unpacked")], check=True)
    if not unpacked.exists():
        (work / "unpacked").rename(unpacked)
    shutil.rmtree(work)


@pytest.fixture(scope="session")
def microsatellites(debian_data: Callable[[str, str], Any]) -> Callable[[str], tuple[GenotypeSet, list[str]]]:
    """Return a reader of a diploid microsatellite data set of r-cran-adegenet: calls and groups."""

    def read(name: str) -> tuple[GenotypeSet, list[str]]:
        record = vars(debian_data("r-cran-adegenet", name))
        table = record["tab"]
        columns = [str(c) for c in table.coords["dim_1"].values]
        counts = np.asarray(table.values, dtype=np.float64)
        locus_of = [str(x) for x in record["loc.fac"]]
        names = list(dict.fromkeys(locus_of))
        calls = np.full((len(names), counts.shape[0], 2), -1, dtype=np.int16)
        alleles = []
        for i, locus in enumerate(names):
            own = [k for k, x in enumerate(locus_of) if x == locus]
            alleles.append(tuple(columns[k].split(".", 1)[1] for k in own))
            block = counts[:, own]
            for fish in np.flatnonzero(~(np.isnan(block) | (block < 0)).any(axis=1)):
                calls[i, fish] = np.repeat(np.arange(len(own)), block[fish].astype(int))
        samples = tuple(f"{name}-{k}" for k in range(counts.shape[0]))
        loci = tuple(Locus(n, kind="microsatellite") for n in names)
        return GenotypeSet(samples, loci, tuple(alleles), calls), [str(p) for p in record["pop"]]

    return read
