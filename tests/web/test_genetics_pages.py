"""Kinship, pedigree and founders in the browser."""

from __future__ import annotations

from typing import Any

import httpx
import numpy as np


def test_kinship__heat_map_is_drawn_and_read_by_keys(look: Any) -> None:
    look.go("/kinship")
    look.page.wait_for_selector("#heat[data-drawn]")
    look.page.locator("#heat canvas").focus()
    before = look.page.locator("#heat output").inner_text()
    look.page.keyboard.press("ArrowDown")
    after = look.page.locator("#heat output").inner_text()
    assert before != after
    look.page.locator("#heat canvas").hover(position={"x": 5, "y": 5})
    assert "with itself" in look.page.locator("#heat output").inner_text()
    look.assert_clean()


def test_kinship__matrix_is_symmetric_with_self_kinship_on_the_diagonal(server: str) -> None:
    data = httpx.get(server + "/kinship/matrix.json", timeout=60).json()
    n = len(data["fish"])
    matrix = np.array(data["kinship"]).reshape(n, n) / 1e5
    assert np.array_equal(matrix, matrix.T)
    assert (np.diag(matrix) >= 0.5).all()
    assert len(data["facts"]) == n


def test_pedigree__shows_a_fish_and_says_what_is_not_one(look: Any) -> None:
    look.go("/kinship")
    fish = look.page.locator("table a").first.inner_text()
    look.go(f"/pedigree?fish={fish}")
    assert fish in look.page.locator(".ancestors").inner_text()
    look.assert_clean()
    answer = httpx.get(look.home + "/pedigree/tree", params={"fish": "<script>alert(1)</script>"}, timeout=60)
    assert answer.status_code == 400
    assert "<script>alert" not in answer.text
    assert "Expected a fish of the records" in answer.text


def test_founders__board(look: Any) -> None:
    look.go("/founders")
    assert "founder genomes remaining" in look.page.locator("main").inner_text()
    how = look.page.locator("details.how").last
    how.locator("summary").click()
    assert "drop" in how.inner_text()
    look.assert_clean()
