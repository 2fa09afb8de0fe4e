"""Array types that docstrings and signatures share."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int32]
BigIntArray: TypeAlias = npt.NDArray[np.int64]
CallArray: TypeAlias = npt.NDArray[np.int16]
BoolArray: TypeAlias = npt.NDArray[np.bool_]

MISSING = -1
"""Code of an untyped allele in a call array and of an unknown parent in a pedigree."""
