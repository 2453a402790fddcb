"""What arrays hold; their shapes stand where they are used."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Floats: TypeAlias = NDArray[np.float32]
"""Numbers of half the size: there are as many as pixels."""
Picture: TypeAlias = NDArray[np.uint8]
"""Grey or blue, green and red, (h, w) or (h, w, 3)."""
Grey: TypeAlias = NDArray[np.uint8]
"""A picture in grey, (h, w)."""
Places: TypeAlias = NDArray[np.intp]
"""Rows, columns or other places in arrays."""
Mask: TypeAlias = NDArray[np.bool_]
