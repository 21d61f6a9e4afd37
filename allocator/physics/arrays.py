"""The arrays that the functions of physics take and give."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
FloatLike: TypeAlias = "float | Floats"


def floats(value: FloatLike) -> Floats:
    """An array of floats."""
    return np.asarray(value, dtype=np.float64)
