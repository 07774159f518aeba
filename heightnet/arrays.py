"""What arrays hold, as the code speaks of them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Names = npt.NDArray[np.object_]
