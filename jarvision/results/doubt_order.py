"""Which doubts of a jar are told where, gravest first, and which say nothing unusual."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import reduce
from typing import Protocol, TypeVar

from jarvision.core.doubts import DoubtName, short_form
from jarvision.core.files import shown
from jarvision.results.record import JarRecord, NamedDoubt

_ORDER = {str(name): place for place, name in enumerate(DoubtName)}

USUAL = frozenset({"water_state_unknown", "focal_unknown", "put_right"})
"""What is no reason to look twice: told with the details, never as a warning."""

_OF_A_PHOTO = frozenset(
    {
        "smoothed",
        "too_bright",
        "glare",
        "tilted",
        "steep_view",
        "small_in_picture",
        "soft_photo",
        "dim",
        "noisy",
        "times_disagree",
        "time_unknown",
        "focal_unknown",
        "side_unsure",
        "few_tags",
    }
)


class Named(Protocol):
    """A doubt of any kind: its name and its sentence."""

    @property
    def name(self) -> str:
        """Name, as it stands in `readings.csv`."""

    @property
    def sentence(self) -> str:
        """What is doubtful and what to do."""


N = TypeVar("N", bound=Named)


def gravity(name: str) -> int:
    """Place of a doubt among all, 0 the gravest; one that is not known comes after the lines'."""
    return _ORDER.get(name, _ORDER["smoothed"])


def phrase(name: str) -> str:
    """Call a doubt in a few words."""
    return short_form(DoubtName(name)) if name in _ORDER else name.replace("_", " ")


def gravest_first(doubts: Iterable[N]) -> list[N]:
    """Order doubts, those that say nothing unusual left out."""
    unusual = [one for one in doubts if one.name not in USUAL]
    return sorted(unusual, key=lambda one: gravity(one.name))


def sentences(doubts: Sequence[Named], photos: Iterable[str] = ()) -> list[str]:
    """List the doubts' sentences, each once; one cause that meets several photos is said once.

    `photos` are names of photos: sentences that differ by these alone are of one cause.
    """
    longest_first = sorted(photos, key=len, reverse=True)

    def cause(one: Named) -> tuple[str, str]:
        if one.name in _OF_A_PHOTO:
            return one.name, ""
        return one.name, reduce(lambda s, photo: s.replace(photo, ""), longest_first, one.sentence)

    causes: dict[tuple[str, str], dict[str, None]] = {}
    for one in doubts:
        causes.setdefault(cause(one), {})[one.sentence] = None
    return [_said_once(list(alike)) for alike in causes.values()]


def _said_once(alike: Sequence[str]) -> str:
    rest = len(alike) - 1
    photos = "another photo" if rest == 1 else f"{rest} more photos"
    return f"{alike[0]} The same holds for {photos}." if rest else alike[0]


def doubts_of(jar: JarRecord) -> list[NamedDoubt]:
    """List the doubts about a jar, gravest first; what nearly every jar carries is left out."""
    of_weight = jar.by_weight.doubts if jar.by_weight else ()
    return gravest_first([*jar.doubts, *of_weight])


def all_doubts(jar: JarRecord) -> list[str]:
    """List the sentences of the doubts, gravest first, each cause once."""
    return sentences(doubts_of(jar), [shown(photo.name) for photo in jar.photos])


def usual_sentences(jar: JarRecord) -> list[str]:
    """Say what the result by weight rests on, or why there is none."""
    if jar.by_weight is None:
        return [jar.not_weighed] if jar.not_weighed else []
    shown = {doubt.name for doubt in doubts_of(jar)}
    usual = [d.sentence for d in (*jar.doubts, *jar.by_weight.doubts) if d.name not in shown]
    return list(dict.fromkeys(s for s in (jar.by_weight.prior_note, *usual) if s))


_FEW = 3


def common_doubts(read: Sequence[JarRecord]) -> frozenset[str]:
    """Find the doubts that most jars carry: they tell no jar from another, and are said once."""
    carried = [{doubt.name for doubt in doubts_of(jar)} for jar in read]
    names = set().union(*carried)
    counts = {name: sum(name in one for one in carried) for name in names}
    return frozenset(n for n, c in counts.items() if c >= _FEW and 2 * c > len(carried))


def own_doubts(jar: JarRecord, common: frozenset[str] = frozenset()) -> list[str]:
    """Name the doubts that tell a jar from the others, gravest first."""
    names = dict.fromkeys(d.name for d in doubts_of(jar) if d.name not in common)
    return [*names, *(["a photo left out"] if jar.left_out else [])]


def check_text(jar: JarRecord, common: frozenset[str] = frozenset()) -> str:
    """Say in a few words what to check, for a table's cell."""
    names = own_doubts(jar, common)
    if not names:
        return "nothing unusual"
    return phrase(names[0]) + (f", {len(names) - 1} more" if len(names) > 1 else "")
