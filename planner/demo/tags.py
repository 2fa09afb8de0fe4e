"""Tags of the programme: boxes bought over the years, and the code each fish was given."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from planner.demo.days import stamps

TEST_MAKER = "999"
"""ISO country code set apart for tests: no fish in the world carries it."""
_FIRST_NUMBER = 9_000_010_000
_LEGACY_FIRST = 0x1F74370000
_MARKER_BOX = 20


@dataclass
class TagBook:
    """Hands out codes box by box; within a box they come in no order.

    Parameters
    ----------
    rng : Generator
        Random numbers.
    box_size : int
        Codes in a box.
    """

    rng: np.random.Generator
    box_size: int
    boxes: list[tuple[str, str, str, int, str]] = field(default_factory=list)
    _next: int = _FIRST_NUMBER
    _open: list[int] = field(default_factory=list)

    def iso(self, number: int, on: int) -> np.ndarray:
        """Return new ISO codes as text, shape (number,), bought before a day."""
        codes: list[int] = []
        while len(codes) < number:
            if not self._open:
                self._buy(on)
            need = number - len(codes)
            codes += self._open[:need]
            self._open = self._open[need:]
        return np.array([f"{TEST_MAKER}{c:012d}" for c in codes], dtype=object)

    def _buy(self, on: int) -> None:
        first, last = self._next, self._next + self.box_size - 1
        self._next = last + 1
        codes = np.array([c for c in range(first, last + 1) if c % 100])
        # A few needles of each box are scrapped.
        kept = self.rng.permutation(codes)[: int(len(codes) * 0.985)]
        self._open = [int(c) for c in kept]
        name = f"BOX-{len(self.boxes) + 1:03d}"
        self.boxes.append((name, f"{TEST_MAKER}{first:012d}", f"{TEST_MAKER}{last:012d}", on - 40, "fish"))

    def markers(self, on: int) -> np.ndarray:
        """Return the codes of a box of marker tags, which lie at readers."""
        first = self._next + 5_000_000
        codes = [f"{TEST_MAKER}{c:012d}" for c in range(first + 1, first + 1 + _MARKER_BOX)]
        self.boxes.append(("BOX-M01", codes[0], codes[-1], on, "marker"))
        return np.array(codes, dtype=object)

    def legacy(self, number: int, on: int) -> np.ndarray:
        """Return ten-character codes of the pilot, which later readers do not see."""
        size = max(2048, 2 * number)
        chosen = np.sort(self.rng.choice(size, size=number, replace=False))
        self.boxes.append(
            ("BOX-L01", f"{_LEGACY_FIRST:010X}", f"{_LEGACY_FIRST + size - 1:010X}", on - 60, "fish")
        )
        codes = [f"{_LEGACY_FIRST + int(c):010X}" for c in chosen]
        return np.array(codes, dtype=object)[self.rng.permutation(number)]

    def strangers(self, number: int) -> np.ndarray:
        """Return codes that no box of this programme holds: fish of other people."""
        base = 11_000_000_000
        drawn = np.unique(self.rng.integers(0, 9_000_000, 2 * number + 10))
        chosen = self.rng.permutation(drawn)[:number]
        return np.array([f"{TEST_MAKER}{base + int(c) * 10 + 1:012d}" for c in chosen], dtype=object)

    def unused(self, number: int, used: set[str]) -> np.ndarray:
        """Return bought codes that no record names."""
        out = []
        for _, first, last, _, purpose in self.boxes:
            if purpose != "fish" or len(first) != 15:
                continue
            for c in range(int(first[3:]), int(last[3:]) + 1):
                code = f"{TEST_MAKER}{c:012d}"
                if c % 100 and code not in used:
                    out.append(code)
        return np.array(out[:number], dtype=object)

    def table(self) -> pd.DataFrame:
        """Return the table of bought ranges."""
        frame = pd.DataFrame(self.boxes, columns=["box", "first_code", "last_code", "bought_on", "purpose"])
        frame["bought_on"] = stamps(frame["bought_on"].to_numpy())
        return frame
