"""Genotypes from CSV and VCF: round trips, missing codes, damaged files, the block-compressed form."""

from __future__ import annotations

import gzip
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from broodstock.arrays import MISSING
from broodstock.errors import UsageError
from broodstock.fields import TABLES
from broodstock.genotypes.genotype_set import GenotypeSet, Locus
from broodstock.intake.genotype_tables import read_genotype_table, write_genotype_table
from broodstock.intake.tables import typed_frame
from broodstock.intake.vcf import UNPLACED, bgzf_bytes, read_vcf, vcf_text, write_vcf

FAST = settings(
    deadline=None,
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@st.composite
def genotype_sets(draw: st.DrawFn, alleles: list[str], placed: bool = False) -> GenotypeSet:
    """Draw a set in which every sample has a call; alleles in the order the readers give."""
    n_loci, n_samples = draw(st.integers(1, 6)), draw(st.integers(1, 6))
    names = tuple(f"LOC{j}" for j in range(n_loci))
    lists, calls = [], np.full((n_loci, n_samples, 2), MISSING, dtype=np.int16)
    for j in range(n_loci):
        k = draw(st.integers(1, min(len(alleles), 12)))
        lists.append(tuple(alleles[:k]))
        for i in range(n_samples):
            if draw(st.booleans()) or i == 0:
                calls[j, i] = draw(st.tuples(st.integers(0, k - 1), st.integers(0, k - 1)))
    positions = draw(st.lists(st.integers(1, 10**6), min_size=n_loci, max_size=n_loci)) if placed else []
    loci = tuple(
        Locus(n, "snp", linkage_group=f"g{j % 2}", position=positions[j])
        if placed
        else Locus(n, "microsatellite")
        for j, n in enumerate(names)
    )
    return GenotypeSet(tuple(f"S-{i}" for i in range(n_samples)), loci, tuple(lists), calls)


def called(g: GenotypeSet) -> dict[tuple[str, str], tuple[str, ...]]:
    """Every call as allele names, whatever the order of loci, samples and alleles."""
    return {
        (locus.name, sample): tuple(sorted(g.alleles[j][a] for a in g.calls[j, i]))
        for j, locus in enumerate(g.loci)
        for i, sample in enumerate(g.samples)
        if g.calls[j, i, 0] != MISSING
    }


SIZES = [str(s) for s in range(90, 130, 2)]


@FAST
@given(genotype_sets(SIZES), st.sampled_from(["wide", "long"]), st.sampled_from([".csv", ".csv.gz"]))
def test_genotype_table__reads_back_what_was_written(
    tmp_path: Path, g: GenotypeSet, layout: str, ending: str
) -> None:
    path = write_genotype_table(g, tmp_path / f"m{ending}", layout=layout)
    back, found = read_genotype_table(path)
    assert found == []
    assert called(back) == called(g)
    assert {locus.kind for locus in back.loci} == {"microsatellite"}
    if layout == "wide":
        assert back.samples == g.samples
        assert back.loci == g.loci
    assert path.read_bytes() == write_genotype_table(g, tmp_path / f"n{ending}", layout=layout).read_bytes()


@FAST
@given(
    genotype_sets(["A", "C", "G", "T", "AC", "GT", "TTA"], placed=True), st.sampled_from([".vcf", ".vcf.gz"])
)
def test_vcf__reads_back_what_was_written(tmp_path: Path, g: GenotypeSet, ending: str) -> None:
    path = write_vcf(g, tmp_path / f"s{ending}")
    back, found = read_vcf(path)
    assert found == []
    assert called(back) == called(g)
    assert back.samples == g.samples
    assert sorted(back.loci, key=lambda x: x.name) == sorted(g.loci, key=lambda x: x.name)
    assert path.read_bytes() == write_vcf(g, tmp_path / f"t{ending}").read_bytes()


@FAST
@given(genotype_sets(["A", "C", "G", "T", "AC", "GT", "TTA", "CC", "GG", "TT", "CA", "GA"]))
def test_vcf__another_reader_sees_the_same_calls(tmp_path: Path, g: GenotypeSet) -> None:
    """A general VCF reader, told the number of alleles, gives our calls from our file."""
    import allel

    path = write_vcf(g, tmp_path / "s.vcf.gz")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        seen = allel.read_vcf(str(path), alt_number=12)
    assert seen["samples"].tolist() == list(g.samples)
    assert (seen["variants/POS"] == np.arange(1, g.n_loci + 1)).all()
    assert set(seen["variants/CHROM"]) == {UNPLACED}
    np.testing.assert_array_equal(seen["calldata/GT"], g.calls)
    for j, alleles in enumerate(g.alleles):
        alt = [a for a in seen["variants/ALT"][j].tolist() if a]
        assert (seen["variants/REF"][j], *alt) == alleles


def test_vcf__text_follows_the_format() -> None:
    g = GenotypeSet(
        ("S1", "S2"),
        (
            Locus("b", linkage_group="c2", position=9),
            Locus("a", linkage_group="c1", position=4),
            Locus("d", linkage_group="c2", position=2),
        ),
        (("A", "G"), ("C",), ("T", "TA", "<DEL>")),
        np.array([[[0, 1], [-1, -1]], [[0, 0], [0, 0]], [[2, 1], [0, 0]]], dtype=np.int16),
    )
    lines = vcf_text(g).splitlines()
    assert lines[0] == "##fileformat=VCFv4.3"
    assert lines[1:3] == ["##contig=<ID=c2>", "##contig=<ID=c1>"]
    body = [line.split("\t") for line in lines if not line.startswith("#")]
    assert [(r[0], r[1], r[2]) for r in body] == [("c2", "2", "d"), ("c2", "9", "b"), ("c1", "4", "a")]
    assert body[0][3:5] == ["T", "TA,<DEL>"]
    assert body[1][9:] == ["0/1", "./."]
    assert body[2][4] == "."


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"alleles": (("142", "146"),)}, "found allele '142'.*as a CSV table"),
        ({"samples": ("S\t1",)}, r"found sample 'S\\t1'"),
        ({"loci": (Locus("L 1"),)}, "found locus 'L 1'"),
        ({"loci": (Locus("L1", linkage_group="a b"),)}, "found linkage group 'a b'"),
    ],
)
def test_write_vcf__raises_on_what_the_format_forbids(tmp_path: Path, change: dict, message: str) -> None:
    parts = {
        "samples": ("S1",),
        "loci": (Locus("L1"),),
        "alleles": (("A", "G"),),
        "calls": np.zeros((1, 1, 2), np.int16),
    }
    with pytest.raises(UsageError, match=message):
        write_vcf(GenotypeSet(**(parts | change)), tmp_path / "x.vcf")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("size", [0, 1, 65_279, 65_280, 65_281, 200_000])
def test_bgzf_bytes__is_gzip_in_blocks(size: int) -> None:
    """Each member is gzip with the extra field BC and its own size, at most 64 KiB; the last is empty."""
    data = np.random.default_rng(size).integers(0, 256, size, dtype=np.uint8).tobytes()
    packed = bgzf_bytes(data)
    assert gzip.decompress(packed) == data
    at, blocks = 0, []
    while at < len(packed):
        assert packed[at : at + 4] == b"\x1f\x8b\x08\x04"
        assert packed[at + 12 : at + 16] == b"BC\x02\x00"
        length = int.from_bytes(packed[at + 16 : at + 18], "little") + 1
        blocks.append(int.from_bytes(packed[at + length - 4 : at + length], "little"))
        at += length
    assert at == len(packed)
    assert blocks[-1] == 0
    assert sum(blocks) == size
    assert max(blocks) <= 65_536


def write(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


def test_genotype_table__every_missing_code(tmp_path: Path) -> None:
    text = "sample_id,P1,P2_1,P2_2\nS1,./.,0,0\nS2,,-9,-9\nS3,0,NA,NA\nS4,NA,,\nS5,-9,90,92\nS6,142/146,./.,./.\n"
    g, found = read_genotype_table(write(tmp_path / "m.csv", text))
    assert found == []
    assert [locus.name for locus in g.loci] == ["P1", "P2"]
    assert g.typed.tolist() == [[False] * 5 + [True], [False] * 4 + [True, False]]


def test_genotype_table__alleles_stand_in_the_order_of_numbers(tmp_path: Path) -> None:
    g, _ = read_genotype_table(write(tmp_path / "m.csv", "sample_id,P1\nS1,102/98\nS2,100/98\n"))
    assert g.alleles == (("98", "100", "102"),)
    assert g.calls[0].tolist() == [[2, 0], [1, 0]]


def test_genotype_table__many_alleles(tmp_path: Path) -> None:
    rows = "".join(f"S{i},{100 + i}/{500 + i}\n" for i in range(300))
    g, found = read_genotype_table(write(tmp_path / "m.csv", "sample_id,P1\n" + rows))
    assert found == []
    assert len(g.alleles[0]) == 600


def test_genotype_table__two_loci_called_x_1_and_x_2_are_not_one(tmp_path: Path) -> None:
    g, found = read_genotype_table(
        write(tmp_path / "m.csv", "sample_id,X_1,X_2\nS1,142/146,90/90\nS2,,92/90\n")
    )
    assert found == []
    assert [locus.name for locus in g.loci] == ["X_1", "X_2"]


def test_genotype_table__half_missing_calls_are_set_missing_and_named(tmp_path: Path) -> None:
    text = "sample_id,P1_1,P1_2,P2\nS1,142,,90/0\nS2,0,146,90/92\n"
    g, found = read_genotype_table(write(tmp_path / "m.csv", text))
    assert [(f.code, f.where.row, f.where.column, f.level) for f in found] == [
        ("call-half-missing", 2, "P1", "warning"),
        ("call-half-missing", 2, "P2", "warning"),
        ("call-half-missing", 3, "P1", "warning"),
    ]
    assert found[0].found == "'142/missing', one allele of two"
    assert g.typed.tolist() == [[False, False], [False, True]]


def test_genotype_table__loci_table_gives_kind_role_and_place(tmp_path: Path) -> None:
    spec = TABLES["loci"]
    loci = typed_frame(
        spec,
        {
            "locus": np.array(["P1", "D1"], dtype=object),
            "kind": np.array(["microsatellite", "snp"], dtype=object),
            "role": np.array(["neutral", "diagnostic"], dtype=object),
            "linkage_group": np.array(["", "c3"], dtype=object),
            "position": pd.Series([pd.NA, 77], dtype="Int64").array,
            "foreign_allele": np.array(["", "T"], dtype=object),
        },
        np.array([2, 3]),
        "loci.csv",
    )
    g, found = read_genotype_table(
        write(tmp_path / "m.csv", "sample_id,D1,P1,P11\nS1,A/T,142/142,90/90\n"), loci
    )
    assert [(f.code, f.where.column) for f in found] == [("locus-unknown", "P11")]
    assert "Did you mean 'P1'?" in found[0].remedy
    assert g.loci[0] == Locus("D1", "snp", "diagnostic", "c3", 77, "T")
    assert g.loci[1] == Locus("P1", "microsatellite")


def test_genotype_table__long_form_without_names(tmp_path: Path) -> None:
    text = "sample_id,locus,allele_1,allele_2\n,P1,1,2\nS1,,1,2\nS1,P1,a,b\n"
    g, found = read_genotype_table(write(tmp_path / "m.csv", text))
    assert [(f.code, f.where.row) for f in found] == [("missing-cell", 2), ("missing-cell", 3)]
    assert g.alleles == (("a", "b"),)


def test_genotype_table__more_alleles_than_a_marker_has(tmp_path: Path) -> None:
    rows = "".join(f"S{i},{i}/{100_000 + i}\n" for i in range(1, 16_500))
    g, found = read_genotype_table(write(tmp_path / "m.csv", "sample_id,P1\n" + rows))
    assert [f.code for f in found] == ["allele-too-many"]
    assert not g.typed.any()


def test_write_genotype_table__unknown_layout(tmp_path: Path) -> None:
    g = GenotypeSet((), (), (), np.zeros((0, 0, 2), np.int16))
    with pytest.raises(ValueError, match=r"layout: found 'tall'\. Expected 'wide' or 'long'"):
        write_genotype_table(g, tmp_path / "x.csv", layout="tall")


@pytest.mark.parametrize("allele", ["0", "-9", "NA", "1 2", "142/146", ""])
def test_write_genotype_table__raises_on_an_allele_that_would_not_come_back(
    tmp_path: Path, allele: str
) -> None:
    g = GenotypeSet(("S1",), (Locus("P1"),), ((allele,),), np.zeros((1, 1, 2), np.int16))
    with pytest.raises(UsageError, match="locus 'P1': found allele"):
        write_genotype_table(g, tmp_path / "x.csv")


HEAD = "##fileformat=VCFv4.3\n#CHROM\tPOS\tID\tREF\tALT\tQUAL\tFILTER\tINFO\tFORMAT\tS1\tS2\n"


def test_vcf__names_missing_ids_by_place_and_keeps_depth_out(tmp_path: Path) -> None:
    g, found = read_vcf(
        write(tmp_path / "s.vcf", HEAD + "c1\t12\t.\tA\tG,T\t.\tPASS\tDP=4\tGT:DP\t1|2:9\t.:0\n")
    )
    assert found == []
    assert g.loci == (Locus("c1_12", "snp", linkage_group="c1", position=12),)
    assert g.alleles == (("A", "G", "T"),)
    assert g.calls[0].tolist() == [[1, 2], [-1, -1]]


@pytest.mark.parametrize(
    ("body", "code", "row"),
    [
        ("c1\t12\tX\tA\tG\t.\t.\t.\tGT\t0/1\t./1\n", "call-half-missing", 3),
        ("c1\t12\tX\tA\tG\t.\t.\t.\tGT\t0/1\t0/2\n", "call-unreadable", 3),
        ("c1\t12\tX\tA\tG\t.\t.\t.\tDP\t9\t8\n", "vcf-broken", 3),
        ("c1\tx\tX\tA\tG\t.\t.\t.\tGT\t0/1\t0/0\n", "vcf-broken", 3),
        (
            "c1\t1\tX\tA\tG\t.\t.\t.\tGT\t0/1\t0/0\nc1\t2\tX\tA\tG\t.\t.\t.\tGT\t0/1\t0/0\n",
            "locus-duplicate",
            4,
        ),
        ("", "no-genotypes", None),
    ],
)
def test_vcf__faults(tmp_path: Path, body: str, code: str, row: int | None) -> None:
    g, found = read_vcf(write(tmp_path / "s.vcf", HEAD + body))
    assert [(f.code, f.where.row) for f in found] == [(code, row)]
    assert (g is not None) == code.startswith("call-")


def test_vcf__no_line_of_names_and_missing_file(tmp_path: Path) -> None:
    assert [f.code for f in read_vcf(write(tmp_path / "s.vcf", "##fileformat=VCFv4.3\n"))[1]] == [
        "vcf-broken"
    ]
    assert [f.code for f in read_vcf(tmp_path / "t.vcf")[1]] == ["file-missing"]


@pytest.mark.parametrize("cut", [1, 20, 28, 40])
def test_vcf__a_file_cut_short_is_never_read_in_part(tmp_path: Path, cut: int) -> None:
    """Without its last block a block-compressed file still unpacks: only the missing end block tells."""
    body = "".join(f"c1\t{i}\tL{i}\tA\tG\t.\t.\t.\tGT\t0/1\t1/1\n" for i in range(1, 4000))
    packed = bgzf_bytes((HEAD + body).encode())
    path = tmp_path / "s.vcf.gz"
    path.write_bytes(packed)
    assert read_vcf(path)[0].n_loci == 3999
    path.write_bytes(packed[:-cut])
    g, found = read_vcf(path)
    assert g is None
    assert [f.code for f in found] == ["gzip-broken"]


@FAST
@given(st.binary(max_size=120), st.booleans())
def test_genotypes__any_bytes_give_findings_only(tmp_path: Path, data: bytes, with_head: bool) -> None:
    for name, read in (("s.vcf", read_vcf), ("m.csv", read_genotype_table), ("z.vcf.gz", read_vcf)):
        path = tmp_path / name
        head = (HEAD if ".vcf" in name else "sample_id,P1,P2_1,P2_2\n").encode() if with_head else b""
        path.write_bytes(head + data)
        _, found = read(path)
        assert all(f.text() for f in found)


VCF_ROWS = st.lists(
    st.lists(
        st.sampled_from(["c1", "1", "X", "A", "G", ".", "GT", "0/1", "./.", "1", "0/1/1", "9/9", "-1", "é"]),
        min_size=9,
        max_size=12,
    ),
    max_size=4,
)


@FAST
@given(VCF_ROWS)
def test_vcf__any_rows_give_findings_only(tmp_path: Path, rows: list[list[str]]) -> None:
    path = write(tmp_path / "s.vcf", HEAD + "".join("\t".join(r) + "\n" for r in rows))
    g, found = read_vcf(path)
    if g is None:
        assert found
    else:
        assert g.samples == ("S1", "S2")
