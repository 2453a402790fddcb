"""The jar test in one voice: what the lesson, the strips' sheet, help and README all ask for."""

from __future__ import annotations

from jarvision.core.series import READING_TIMES

DETERGENT = "dishwasher powder without bleach"
"""What keeps the grains apart; liquid soap does not, and none at all is better than that."""

SOIL = "a quarter to a third"
"""How much of the jar the loose soil fills, so that some 40 to 60 mm settle: less cannot be read
to a few points, more leaves the grains too little water to fall through."""

FRAMING = "foot to water line fills the picture"
"""How the jar stands in every photo."""

_WHEN = [due.spoken for due in READING_TIMES.values()]
TIMES = f"{', '.join(_WHEN[:-1])} and {_WHEN[-1]}"
"""When the three photos are taken."""

MORE_TIMES_S = (300.0, 28_800.0)
"""Photos that narrow the result by weight most beside the three [s]: by simulation, see
DEVELOPERS.md."""
MORE_TIMES = "5 minutes and 8 hours"
