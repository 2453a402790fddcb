"""A value with its standard deviation, printed with no more digits than that carries."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured value; it does no arithmetic, since neighbours share their errors.

    Attributes
    ----------
    value, sd : float
        Value and one standard deviation, both in `unit`; NaN when unknown.
    unit : str
        Unit as it is printed, for example ``"mm"`` or ``"%"``.
    """

    value: float
    sd: float
    unit: str

    def __str__(self) -> str:
        """Print value ± sd with no more digits than the sd carries."""
        if math.isnan(self.value):
            return "unknown"
        if math.isnan(self.sd):
            return f"{self.value:.0f} {self.unit} (uncertainty unknown)"
        digits = 1 if self.sd < 3 else 0
        sd = max(self.sd, 0.1)  # an sd that prints as nothing would claim perfection
        return f"{self.value:.{digits}f} ± {sd:.{digits}f} {self.unit}"
