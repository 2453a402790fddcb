"""What `read` writes and prints once jars were read, and in which order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from jarvision.cli.classes import say_classes
from jarvision.cli.console import say
from jarvision.cli.progress import tell_line
from jarvision.cli.summary import say_jars, write_pages
from jarvision.core.errors import UsageError

if TYPE_CHECKING:
    from jarvision.core.units import UnitSystem
    from jarvision.estimate.texture_standards import Standard
    from jarvision.run.outcome import Batch
    from jarvision.run.plan import Plan
    from jarvision.wall.suggest_marks import Offer


def refuse_nothing(found: Batch | Plan) -> None:
    """Raise where there is no photo at all."""
    from jarvision.core.files import shown

    if not found.photos_found:
        msg = " ".join(
            ["No photos were found; name photos or a folder that holds some."]
            + [f"{shown(name)}: {sentence}" for name, sentence in found.refused]
        )
        raise UsageError(msg)


@dataclass(frozen=True, slots=True)
class HowShown:
    """How a run is shown: as cards or a table, in which units and classes, and the ruler meant.

    `tell`: another program follows it.
    """

    cards: bool
    system: UnitSystem | None
    standards: Sequence[Standard]
    ruler: str
    tell: bool


def put_down(batch: Batch, out: Path, how: HowShown, *, marks: bool) -> None:
    """Write the table of all jars and what follows from it, and print what came of the run."""
    from jarvision.run.outputs import write_marks, write_table

    refuse_nothing(batch)
    write_table(batch, out)
    _say_run(batch, out, how, write_marks(batch, out) if marks else None)


def _say_run(batch: Batch, out: Path, how: HowShown, offers: Sequence[Offer] | None) -> None:
    """Print what came of a run, and write its report; the last line says where to look."""
    from jarvision.core.files import shown
    from jarvision.core.units import UnitSystem

    if batch.outcomes:
        system = how.system or UnitSystem.METRIC
        say_jars(out, batch.kept, cards=how.cards, system=system)
    _say_results(batch, out, how.ruler)
    if offers is not None:
        _say_marks(offers)
    if how.standards:
        say_classes(out, {each.jar for each in batch.outcomes}, how.standards)
    say(f"Numbers and pictures are in {shown(str(out), longest=200)}.")
    if how.tell:
        tell_line("Writing the report", 0, 0)
    if batch.outcomes:
        say(write_pages(out, how.system))


def _say_results(batch: Batch, out: Path, ruler: str) -> None:
    """Say what could not be read, and what else there is to know about a run."""
    from jarvision.core.files import shown

    for name, sentence in batch.refused:
        say(f"Not read: {shown(name)}. {sentence}")
    for name, sentence in batch.left_out:
        say(f"{shown(name)}: {sentence}")
    if ruler:
        _say_no_ruler(batch, ruler)
    for note in batch.notes:
        say(note)
    earlier = sum(outcome.is_earlier for outcome in batch.outcomes)
    if earlier:
        say(
            f"{earlier} of {len(batch.outcomes)} jars have not changed since the last run and were "
            "not read again; --again reads all."
        )
    _say_others(out, batch)


def _say_no_ruler(batch: Batch, ruler: str) -> None:
    """Say in which jars' photos the ruler that was asked for was not found."""
    from jarvision.results.readings_table import title

    jars = [
        title(outcome.jar)
        for outcome in batch.outcomes
        if any(doubt.name == "no_strip" for doubt in outcome.record.doubts)
    ]
    if jars:
        say(
            f"No {ruler} ruler was found in the photos of {_listed(jars)}; tape it upright on the "
            "jar or close beside it, its marks to the camera."
        )


_MOST_NAMED = 6


def _say_others(out: Path, batch: Batch) -> None:
    """Say which files in the folder are not this run's, so that nobody takes them for it."""
    from jarvision.results.cache import others_in

    others = others_in(out, batch.kept)
    if others.results:
        jars = [name.removeprefix("jar-").removesuffix(".json") for name in others.results]
        many = len(jars) > 1
        say(
            f"From an earlier run and not in these photos: jar{'s' * many} {_listed(jars)}; "
            f"{'they stay' if many else 'it stays'} in the report, marked, and "
            f"{'are' if many else 'is'} not in readings.csv. Delete {_listed(others.results)} to "
            f"drop {'them' if many else 'it'}."
        )
    if others.pictures:
        say(f"No result uses {_listed(others.pictures)} any more; delete what shows old readings.")


def _listed(names: Sequence[str]) -> str:
    """List names, the first few of many."""
    from jarvision.core.files import shown

    listed = ", ".join(map(shown, names[:_MOST_NAMED]))
    rest = len(names) - _MOST_NAMED
    return f"{listed} and {rest} more" if rest > 0 else listed


def _say_marks(offers: Sequence[Offer]) -> None:
    """Print what lines on the glass mark, a jar a line, and what was left out."""
    from jarvision.core.files import shown

    for offer in offers:
        say(f"Jar {shown(offer.jar)}: {' '.join([offer.sentence(), *offer.sentences])}")
    if any(offer.any for offer in offers):
        say("The lines' heights are in marks-from-photos.csv; compare reads it as it is.")
    elif not offers:
        say("No lines were found on the glass of any jar.")
