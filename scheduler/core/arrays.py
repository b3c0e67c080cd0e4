"""Array types of the core. The unit is said by the alias; mypy sees one array type."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
CodeArray = NDArray[np.int8]
"""Index into a tuple of names (how a value was come by)."""

Mm = FloatArray
Metres = FloatArray
Minutes = FloatArray
Share = FloatArray  # 0..1
Celsius = FloatArray
Kilopascal = FloatArray
Megajoule = FloatArray  # MJ m-2 d-1
