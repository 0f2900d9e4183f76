"""Names for the arrays and shapes that signatures speak of."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

AnyArray = NDArray[Any]
FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
AnyFloatArray = NDArray[np.floating[Any]]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]
Int32Array = NDArray[np.int32]
ByteArray = NDArray[np.uint8]
ObjectArray = NDArray[np.object_]

Bounds = tuple[float, float, float, float]
"""West, south, east, north."""
