"""Whole folders: what is read, fingerprints, references, templates and the data package."""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broodstock.checks.run import run_checks
from broodstock.errors import InputError, UsageError
from broodstock.fields import TABLES
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.intake.folder import read_folder, read_records
from broodstock.intake.genotype_tables import write_genotype_table
from broodstock.intake.near_words import near_word
from broodstock.intake.references import check_references
from broodstock.intake.vcf import write_vcf
from broodstock.intake.write import write_datapackage, write_template, write_workbook

FISH = (
    "fish_id,sex,origin,status,dam,sire,tag\n"
    "EM-0421,female,wild-adult,brood,,,999009000000101\nEM-0422,male,wild-adult,brood,,,999009000000102\n"
    "EM-0500,female,hatchery,brood,EM-0421,EM-0422,999009000000103\n"
)
SITES = "site_id,name,kind,predators\nGW,Glasswater,reservoir-zone,present\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A sound folder with tables, genotypes and folders that are not read."""
    root = tmp_path / "records"
    (root / "genotypes").mkdir(parents=True)
    (root / "fish.csv").write_text(FISH)
    (root / "sites.csv").write_text(SITES)
    (root / "samples.csv").write_text("sample_id,group,fish_id\nS1,brood,EM-0421\nS2,brood,EM-0422\n")
    (root / "loci.csv").write_text("locus,kind,role\nL1,snp,neutral\nP1,microsatellite,neutral\n")
    snp = GenotypeSet(
        ("S1", "S2"), (Locus("L1"),), (("A", "G"),), np.array([[[0, 1], [1, 1]]], dtype=np.int16)
    )
    write_vcf(snp, root / "genotypes" / "snps.vcf.gz")
    sizes = GenotypeSet(("S1",), (Locus("P1"),), (("142",),), np.zeros((1, 1, 2), dtype=np.int16))
    write_genotype_table(sizes, root / "genotypes" / "microsatellites.csv")
    for name in ("truth", "inbox"):
        (root / name).mkdir()
        (root / name / "fish.csv").write_text("nothing,to,read\n")
    return root


def test_read_folder__a_sound_folder(folder: Path) -> None:
    records = read_folder(folder)
    assert records.findings == ()
    assert set(records.tables) == set(TABLES)
    assert records.tables["fish"]["fish_id"].tolist() == ["EM-0421", "EM-0422", "EM-0500"]
    assert records.tables["captures"].empty
    assert set(records.genotypes) == {"snps", "microsatellites"}
    assert records.genotypes["snps"].loci[0].kind == "snp"
    assert sorted(records.files) == [
        "fish.csv",
        "genotypes/microsatellites.csv",
        "genotypes/snps.vcf.gz",
        "loci.csv",
        "samples.csv",
        "sites.csv",
    ]
    assert records.files["fish.csv"] == len(FISH)
    assert read_records(folder).fingerprint == records.fingerprint


def test_read_folder__fingerprint_follows_names_and_contents_only(folder: Path, tmp_path: Path) -> None:
    first = read_folder(folder).fingerprint
    copy = tmp_path / "elsewhere"
    shutil.copytree(folder, copy)
    assert read_folder(copy).fingerprint == first
    assert read_folder(copy, skip=("samples", "snps")).fingerprint == first
    (copy / "truth" / "fish.csv").write_text("changed\n")
    assert read_folder(copy).fingerprint == first
    (copy / "sites.csv").write_text(SITES.replace("present", "none"))
    assert read_folder(copy).fingerprint != first
    slow = hashlib.sha256()
    for name in sorted(read_folder(folder).files):
        data = (folder / name).read_bytes()
        slow.update(name.encode() + b"\0" + str(len(data)).encode() + b"\0" + data)
    assert slow.hexdigest() == first


def test_read_folder__skipped_tables_are_empty_and_not_missed(folder: Path) -> None:
    (folder / "scans.csv").write_text("broken")
    (folder / "deployments.csv").write_text(
        "deployment_id,site_id,from_time,to_time\nD1,GW,2024-01-01T00:00,2024-02-01T00:00\n"
    )
    records = read_folder(folder, skip=("scans",))
    assert records.findings == ()
    assert records.skipped == ("scans",)
    assert records.tables["scans"].empty
    assert "scans.csv" in records.files
    assert {f.code for f in read_folder(folder).findings} >= {"missing-column"}


def test_read_folder__workbook_instead_of_csv(folder: Path) -> None:
    tables = read_folder(folder).tables
    write_workbook({n: tables[n] for n in ("fish", "sites")}, folder / "records.xlsx")
    both = read_folder(folder)
    assert [f.code for f in both.findings] == ["table-twice", "table-twice"]
    (folder / "fish.csv").unlink()
    (folder / "sites.csv").unlink()
    records = read_folder(folder)
    assert records.findings == ()
    assert records.tables["fish"]["dam"].tolist() == tables["fish"]["dam"].tolist()
    assert records.tables["fish"].attrs["file"] == "records.xlsx[fish]"


def test_read_records__stops_with_every_fault(folder: Path) -> None:
    (folder / "fish.csv").write_text(
        FISH.replace("EM-0421,EM-0422", "EM-0412,EM-9999").replace("male,wild", "mal,wild")
    )
    with pytest.raises(InputError, match="nothing was written") as stop:
        read_records(folder)
    codes = [f.code for f in stop.value.findings]
    assert codes.count("unknown-choice") == 2
    assert codes.count("parent-unknown") == 2
    dam = next(f for f in stop.value.findings if f.where.column == "dam")
    assert dam.text() == (
        "fish.csv, row 4, dam: found 'EM-0412'. Expected a fish_id in fish.csv or the register. Did you mean "
        "'EM-0421'? Correct it, add the fish, or leave the cell empty if the dam is unknown. [parent-unknown]"
    )


def test_read_folder__names_known_elsewhere_count(folder: Path) -> None:
    (folder / "captures.csv").write_text("capture_id,captured_on,site_id\nC-1,2024-03-11,BB\n")
    assert [f.code for f in read_folder(folder).findings] == ["reference-unknown"]
    assert read_folder(folder, known={"sites.site_id": {"BB"}}).findings == ()


def test_read_folder__damaged_tag_is_given_its_near_known_tags(folder: Path) -> None:
    (folder / "captures.csv").write_text(
        "capture_id,captured_on,site_id,tag\nC-1,2024-03-11,GW,99900900000102\n"
    )
    (found,) = read_folder(folder).findings
    assert found.code == "tag-length"
    assert found.remedy.startswith("Did you mean '999009000000102' (one digit missing)?")


def test_read_folder__missing_and_empty_folder(tmp_path: Path) -> None:
    missing = read_folder(tmp_path / "none")
    assert [f.code for f in missing.findings] == ["folder-missing"]
    assert set(missing.tables) == set(TABLES)
    assert [f.code for f in read_folder(tmp_path).findings] == ["no-tables"]


def test_read_folder__genotypes_twice_and_unknown_samples(folder: Path) -> None:
    (folder / "genotypes" / "snps.vcf").write_text("x")
    (folder / "samples.csv").write_text("sample_id,group\nS1,brood\n")
    found = read_folder(folder).findings
    assert [(f.code, f.where.file, f.where.column) for f in found] == [
        ("table-twice", "genotypes/snps.vcf.gz", None),
        ("sample-unknown", "genotypes/snps.vcf.gz", "S2"),
    ]


def test_read_folder__templates_are_sound_and_empty(tmp_path: Path) -> None:
    paths = write_template(tmp_path / "new")
    assert {p.name for p in paths} == {f"{n}.csv" for n in TABLES} | {"datapackage.json"}
    records = read_folder(tmp_path / "new")
    assert {f.code for f in records.findings} == {"no-records"}
    write_template(tmp_path / "new")
    (tmp_path / "new" / "fish.csv").write_text(FISH)
    with pytest.raises(UsageError, match=r"fish\.csv: found a file with other content"):
        write_template(tmp_path / "new", ["fish"])
    with pytest.raises(KeyError, match="no table 'ponds'"):
        write_template(tmp_path / "other", ["ponds"])


def test_write_datapackage__describes_every_table_file(folder: Path) -> None:
    data = write_datapackage(folder).read_bytes()
    assert write_datapackage(folder).read_bytes() == data
    package = json.loads(data)
    assert package["profile"] == "tabular-data-package"
    by_name = {r["name"]: r for r in package["resources"]}
    assert list(by_name) == [n for n in TABLES if n in ("fish", "sites", "samples", "loci")]
    fish = by_name["fish"]
    assert fish["bytes"] == len(FISH)
    assert fish["hash"] == "sha256:" + hashlib.sha256(FISH.encode()).hexdigest()
    fields = {f["name"]: f for f in fish["schema"]["fields"]}
    assert fields["sex"]["constraints"] == {"required": True, "enum": ["female", "male", "unknown"]}
    assert fields["total_length_mm"]["constraints"] == {"minimum": 5, "maximum": 1500}
    assert fish["schema"]["primaryKey"] == ["fish_id"]
    assert {"fields": "dam", "reference": {"resource": "fish", "fields": "fish_id"}} in fish["schema"][
        "foreignKeys"
    ]
    assert read_folder(folder).findings == ()


def test_check_references__many_wrong_names_are_counted(folder: Path) -> None:
    tables = read_folder(folder).tables
    rows = "".join(f"C-{i},2024-03-11,XX{i}\n" for i in range(300))
    (folder / "captures.csv").write_text("capture_id,captured_on,site_id\n" + rows)
    found = read_folder(folder).findings
    assert len(found) == 201
    assert found[-1].found == "100 more of the same kind"
    assert check_references(tables) == []


NAMES = st.sampled_from(
    ["fish.csv", "captures.csv.gz", "records.xlsx", "genotypes/snps.vcf", "genotypes/snps.vcf.gz", "loci.csv",
     "genotypes/microsatellites.csv", "samples.csv", "sites.csv", "notes.txt", "fsh.csv"]
)  # fmt: skip
CONTENT = st.one_of(
    st.binary(max_size=80),
    st.sampled_from([FISH, SITES, "sample_id,P1\nS1,1/2\n", "locus,kind,role\nP1,snp,neutral\n", "\n"]).map(
        str.encode
    ),
)


@settings(deadline=None, max_examples=25)
@given(st.dictionaries(NAMES, CONTENT, max_size=5))
def test_read_folder__any_files_give_findings_only(files: dict[str, bytes]) -> None:
    with tempfile.TemporaryDirectory() as root:
        for name, data in files.items():
            path = Path(root) / name
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(data)
        records = read_folder(root)
        assert set(records.tables) == set(TABLES)
        assert all(f.text() for f in records.findings)
        assert sum(records.files.values()) <= sum(map(len, files.values()))
        run_checks(records.tables, records.genotypes)


@pytest.mark.parametrize(
    ("word", "known", "near"),
    [
        ("EM-0412", ["EM-0421", "EM-0500"], "EM-0421"),
        ("Female", ["female", "male"], "female"),
        ("wild adult", ["wild-adult"], "wild-adult"),
        ("lenght_mm", ["length_mm", "weight_g"], "length_mm"),
        ("zzz", ["female", "male"], ""),
        ("", ["a"], ""),
        ("a", [], ""),
    ],
)
def test_near_word(word: str, known: list[str], near: str) -> None:
    assert near_word(word, set(known)) == near
