"""The test taught step by step, and the sources of all pages of a folder, each said once."""

from __future__ import annotations

from collections.abc import Sequence

from jarvision.core.sources import Bibliography, Statement, bibliography
from jarvision.core.units import UnitSystem
from jarvision.garden.cautions import Place, cautions_for
from jarvision.garden.howto import howto_steps
from jarvision.pages.frame import page
from jarvision.pages.howto_art import drawing


def all_sources(system: UnitSystem, others: Sequence[Statement]) -> Bibliography:
    """Give each source of the test's own text and of the other pages a number."""
    own = [statement for part in howto_steps(system) for statement in part.statements]
    return bibliography([*own, *cautions_for(Place.HOWTO), *others])


def render_howto(system: UnitSystem, sources: Bibliography) -> str:
    """Write the page.

    Parameters
    ----------
    system : UnitSystem
        Units of the text and the drawings.
    sources : Bibliography
        What `all_sources` gave.
    """
    steps = [(part, drawing(part.key, system)) for part in howto_steps(system)]
    return page(
        "howto.html",
        steps=[(part, drawn) for part, drawn in steps if part.key != "cautions"],
        cautions=cautions_for(Place.HOWTO),
        listed=sources.listed(),
        sources=sources,
    )
