"""Of several edges beside a strip, choose the two that are the jar's walls.

A row of jars, a window's shine and things behind a jar make edges as long and strong as its own
walls. What sets the true ones apart: the tags' own perspective fits them, the jar's foot is a line
that is level from one to the other, and the jar is as wide in all its photos.

Where a round jar of usual size fits the nearest strong edges and the tags as well as it can, and no
other strip is in the photo, those edges are the walls. Else every pair of edges is fitted and
weighed. One wall of a pair may be hidden.

Square jars' walls are often near ties: another outline 3 to 6 mm narrower or wider within 2 nats
(six of the 49 rendered jars, and some in rows), with heights at the front the same to 0.5 mm and at
the sides 1 to 6 mm apart. All of these are read well, so that a doubt at every tie would mean
nothing. Whether a reading hangs on the tie would show only by reading under both outlines, which is
not done: in one composed row the outline not chosen would put 3 mm of sand 48 mm too high.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Generic, TypeVar

import numpy as np

from jarvision.core.arrays import Array, Picture
from jarvision.jar.strip import Strip
from jarvision.jar.unmarked import foot_lines
from jarvision.jar.unwrap import columns_of
from jarvision.jar.view_fit import fit_photos, fit_views, jar_of, rival_walls
from jarvision.jar.view_residuals import Scene, ViewFit
from jarvision.jar.wall_edges import Wall

Key = TypeVar("Key")

_USUAL_RADIUS_MM, _RADIUS_SPREAD = 40.0, 0.22  # log scatter of jars' radii; common practice
_LEAST_RADIUS_MM, _GREATEST_RADIUS_MM = 24.0, 75.0
_BAND_MM = 2.5  # the lines of one glass wall lie within this
_MOST_PAIRS, _MOST_ALONE = 8, 4
_FOOT_WEIGHT = 8.0
_SQUARE_COST, _UNSEEN_COST = 4.0, 6.0
_NARROWING_SD = 0.08  # how well a tag's width over its height tells how far it is turned away
_LEAST_COLUMNS = 40  # of the unrolled wall, to see a foot in
_SAME_MM, _MOST_APART = 1.0, 20.0  # how well one photo tells the radius, and the most it costs
_ROUGH = 4.0  # how far a foot's quick look may put a pair off; in 507 feet by 3.8 at most
_STRONGEST_FOOT = 400.0  # of rendered jars they reach 102


@dataclass(frozen=True, slots=True, eq=False)
class _Choice:
    """A pair of walls, the view that fits it, and what speaks against it (log units)."""

    scene: Scene
    fit: ViewFit
    cost: float
    number: int  # its place among the rivals in its picture

    @property
    def radius_mm(self) -> float:
        return self.fit.radius_mm


@dataclass(frozen=True, slots=True, eq=False)
class Rivals:
    """All that may be the two walls beside a strip in one picture.

    Attributes
    ----------
    fits : tuple of (Scene, ViewFit)
        A pair of walls and the view that fits it, a round one first; square ones where no round
        one fits well.
    against : tuple of float
        What speaks against each but its foot.
    feet : dict
        How strong the foot is under those that were looked at, by their place in `fits`.
    rough_feet : dict
        The same from a quick look.
    """

    fits: tuple[tuple[Scene, ViewFit], ...]
    against: tuple[float, ...]
    feet: dict[int, float] = field(default_factory=dict)
    rough_feet: dict[int, float] = field(default_factory=dict)

    @classmethod
    def of(cls, fits: tuple[tuple[Scene, ViewFit], ...]) -> Rivals:
        """Weigh pairs of walls."""
        # tags may be printed or focused a little off; that counts against all pairs alike
        enough = fits[0][0].strip.corners_px.size / 2
        usual = max(1.0, min(fit.cost for _, fit in fits) / enough)
        return cls(fits, tuple(_cost(scene, fit, usual) for scene, fit in fits))

    @property
    def looked_at(self) -> set[int]:
        """Which feet were looked at."""
        return {*self.feet, *self.rough_feet}


def rivals_beside(
    bgr: Picture, scene: Scene, others: Sequence[Strip], before_px: Sequence[Array]
) -> Rivals:
    """Fit a view to each pair of edges beside a strip that leaves room for a jar.

    Parameters
    ----------
    bgr : (h, w, 3) uint8 array
        The upright working picture.
    scene : Scene
        From `jarvision.jar.view_fit.scene_of`.
    others : sequence of Strip
        Strips of other jars in the same photo.
    before_px : sequence of (2, 2, 2) array
        Sides of the jars that stand nearer to the camera, from `jarvision.jar.view_fit.sides_px`.
    """
    pairs = _pairs(scene, rival_walls(bgr, scene, others, before_px)) or [scene]
    rounds = fit_views(pairs, square=False)
    pairs = [replace(pair, as_round=fit) for pair, fit in zip(pairs, rounds, strict=True)]
    enough = scene.strip.corners_px.size / 2
    # one wall alone fits anything
    paired = [f.cost for s, f in zip(pairs, rounds, strict=True) if len(s.walls) == 2]
    if paired and min(paired) <= enough and not scene.strip.bent:
        return Rivals.of(tuple(zip(pairs, rounds, strict=True)))
    squares = _squares(pairs, enough)
    for i, fit in squares.items():
        pairs[i] = replace(pairs[i], as_square=fit)
    as_squares = ((pairs[i], fit) for i, fit in squares.items())
    return Rivals.of((*zip(pairs, rounds, strict=True), *as_squares))


def _squares(pairs: Sequence[Scene], enough: float) -> dict[int, ViewFit]:
    """Fit square jars, to one wall alone only where they fit no two of them well."""
    both = [i for i, pair in enumerate(pairs) if len(pair.walls) == 2]
    one = [i for i, pair in enumerate(pairs) if len(pair.walls) < 2]
    found: dict[int, ViewFit] = {}
    for some in (both, one):
        if some and not any(fit.cost <= enough for fit in found.values()):
            fits = fit_views([pairs[i] for i in some], square=True)
            found |= dict(zip(some, fits, strict=True))
    return found


def choose_walls(
    pictures: Mapping[Key, Picture],
    scenes: Mapping[Key, Scene],
    rivals_of: Callable[[Key], Rivals],
    *,
    alone: bool,
) -> dict[Key, Scene]:
    """Choose the walls in all photos of one jar together.

    Parameters
    ----------
    pictures : mapping to (h, w, 3) uint8 array
        The upright working pictures.
    scenes : mapping to Scene
        From `jarvision.jar.view_fit.scene_of`.
    rivals_of : callable
        Gives what `rivals_beside` finds in a photo.
    alone : bool
        Whether no photo shows another jar's strip.

    Returns
    -------
    dict of Scene
        The same with the chosen walls; unchanged where there is nothing to choose.
    """
    convincing = _convincing(list(scenes.values())) if alone else []
    if alone and len(convincing) == len(scenes):
        return dict(zip(scenes, convincing, strict=True))
    found = {key: rivals_of(key) for key in scenes}
    while True:
        shapes = _weighed({key: _choices(rivals) for key, rivals in found.items()})
        most = float(shapes[0].totals.min()) + _ROUGH
        close = {k: set().union(*(shape.within(k, most) for shape in shapes)) for k in scenes}
        unseen = {k: numbers - found[k].looked_at for k, numbers in close.items()}
        if not any(unseen.values()):
            break
        for key, numbers in unseen.items():
            _look(pictures[key], found[key], numbers, found[key].rough_feet, rough=True)
    several = {key: numbers for key, numbers in close.items() if len(numbers) > 1}
    if several:
        for key, numbers in several.items():
            _look(pictures[key], found[key], numbers, found[key].feet, rough=False)
        shapes = _weighed({key: _choices(rivals) for key, rivals in found.items()})
    return {key: choice.scene for key, choice in shapes[0].best().items()}


def _convincing(scenes: Sequence[Scene]) -> list[Scene]:
    """Give scenes with their views if round jars of usual size fit likely walls and tags of all.

    Corners of tags bent round a side are too unsure to choose walls by.
    """
    to_fit = [scene for scene in scenes if not scene.strip.bent]
    if any(wall.rivalled for scene in to_fit for wall in scene.walls):
        return []
    fits = iter(fit_photos(to_fit, square=False))
    found = [s if s.strip.bent else replace(s, as_round=next(fits)) for s in scenes]
    return found if all(map(_is_usual, found)) else []


def _is_usual(scene: Scene) -> bool:
    """Whether a scene's view is of a jar of usual size and fits as well as it can."""
    if scene.as_round is None:  # of bent tags
        return True
    usual = _LEAST_RADIUS_MM + 3.0 < scene.as_round.radius_mm < 55.0 and len(scene.walls) == 2
    return usual and scene.as_round.cost < scene.strip.corners_px.size / 2


def _pairs(scene: Scene, rivals: Sequence[Wall]) -> list[Scene]:
    """Pairs of walls that leave room for a jar, the likeliest few."""
    left, right = (
        _one_a_band(scene, [wall for wall in rivals if wall.side == side]) for side in (-1, 1)
    )
    seen = _StripSeen(
        float(scene.strip.corners_px[..., 0].mean()) / scene.px_per_mm,
        _narrowing(scene.strip.corners_px),
    )
    both = list(product(left, right))
    costs = [_first_cost(scene, pair, seen) for pair in both]
    ranked = sorted(zip(costs, range(len(both)), strict=True))[:_MOST_PAIRS]
    # one wall may be hidden altogether, behind another jar or under the strip
    alone = sorted([*left, *right], key=lambda wall: _alone_cost(scene, wall, seen))
    kept = [both[i] for cost, i in ranked if math.isfinite(cost)]
    return [replace(scene, walls=own) for own in (*kept, *((w,) for w in alone[:_MOST_ALONE]))]


@dataclass(frozen=True, slots=True)
class _StripSeen:
    """Where a strip's tags stand in the picture [mm], and their width over their height."""

    middle_mm: float
    narrowing: float


def _one_a_band(scene: Scene, walls: Sequence[Wall]) -> list[Wall]:
    """Keep of the lines of one glass wall the nearest strong one."""
    kept: list[Wall] = []
    band: list[Wall] = []
    for wall in walls:
        if band and abs(_column_mm(scene, wall) - _column_mm(scene, band[0])) < _BAND_MM:
            band.append(wall)
        else:
            kept += _nearest_strong(band)
            band = [wall]
    return kept + _nearest_strong(band)


def _nearest_strong(band: Sequence[Wall]) -> list[Wall]:
    best = max((wall.strength for wall in band), default=0.0)
    return [wall for wall in band if wall.strength >= 0.6 * best][:1]


def _column_mm(scene: Scene, wall: Wall) -> float:
    return float(wall.points_px[1, 0]) / scene.px_per_mm


def _first_cost(scene: Scene, walls: tuple[Wall, Wall], strip: _StripSeen) -> float:
    """Tell what speaks against a pair before any view is fitted; infinite for what is no jar."""
    against = sum(_faint_cost(wall) for wall in walls)
    ends = [_column_mm(scene, wall) for wall in walls]
    radius = (ends[1] - ends[0]) / 2
    if not _LEAST_RADIUS_MM < radius < _GREATEST_RADIUS_MM:
        return np.inf
    turned = float(np.clip((strip.middle_mm - sum(ends) / 2) / radius, -0.98, 0.98))
    off = (np.sqrt(1.0 - turned**2) - strip.narrowing) / _NARROWING_SD
    return against + _radius_cost(radius) + min(0.5 * float(off) ** 2, _SQUARE_COST)


def _alone_cost(scene: Scene, wall: Wall, strip: _StripSeen) -> float:
    """Tell what speaks against a single wall, by the radius that goes with the strip's turn."""
    away = abs(_column_mm(scene, wall) - strip.middle_mm)
    turn = np.sqrt(max(0.0, 1.0 - min(strip.narrowing, 1.0) ** 2))
    radii = [away / (1.0 + turn), away / max(1.0 - turn, 0.05)]
    return _faint_cost(wall) + min(map(_radius_cost, radii))


def _narrowing(corners: Array) -> float:
    """Width of the tags over their height: the cosine of how far they are turned away."""
    side = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    return float(np.median((side[:, 1] + side[:, 3]) / (side[:, 0] + side[:, 2])))


def _faint_cost(wall: Wall) -> float:
    return 0.3 * max(0.0, 10.0 - wall.strength)


def _radius_cost(radius_mm: float) -> float:
    return 0.5 * float(np.log(radius_mm / _USUAL_RADIUS_MM) / _RADIUS_SPREAD) ** 2


def _choices(rivals: Rivals) -> list[_Choice]:
    """Weigh all that is known of each pair, its foot as strong as can be until it is looked at."""
    found = []
    for i, ((scene, fit), against) in enumerate(zip(rivals.fits, rivals.against, strict=True)):
        foot = rivals.feet.get(i, rivals.rough_feet.get(i, _STRONGEST_FOOT))
        found.append(_Choice(scene, fit, against - _FOOT_WEIGHT * math.log(max(foot, 1.0)), i))
    return found


def _look(
    bgr: Picture, rivals: Rivals, numbers: Collection[int], feet: dict[int, float], *, rough: bool
) -> None:
    """See how strong the feet of some rivals are: the lines of a jar's foot between its walls."""
    for i in numbers:
        if i not in feet:
            scene, fit = rivals.fits[i]
            jar = jar_of(fit, scene)
            columns = columns_of(jar, bgr.shape[1])
            seen = len(columns) > _LEAST_COLUMNS  # 0 where too little is seen
            feet[i] = foot_lines(bgr, jar, rough=rough, columns=columns)[0] if seen else 0.0


def _cost(scene: Scene, fit: ViewFit, usual: float) -> float:
    """Tell what speaks against a view but its foot."""
    cost = fit.cost / usual + sum(_faint_cost(wall) for wall in scene.walls)
    cost += _UNSEEN_COST * (len(scene.walls) < 2) + _SQUARE_COST * fit.square
    return float(cost + _radius_cost(fit.radius_mm))


@dataclass(frozen=True, slots=True, eq=False)
class _WeighedPairs(Generic[Key]):
    """All pairs of one shape, each photo's held against radii that the jar may have.

    Attributes
    ----------
    own : dict of list of _Choice
        By photo.
    costs : dict of (radii, choices) array
        What speaks against each choice where the jar has each of the radii.
    totals : (radii,) array
        What speaks against the best choices of all photos together.
    """

    own: dict[Key, list[_Choice]]
    costs: dict[Key, Array]
    totals: Array

    @classmethod
    def of(cls, choices: Mapping[Key, Sequence[_Choice]], *, square: bool) -> _WeighedPairs[Key]:
        """Weigh choices so that the jar is as wide in all photos."""
        own = {key: [c for c in found if c.fit.square == square] for key, found in choices.items()}
        if not all(own.values()):  # round views fitted so well that no square one was tried
            return cls({}, {}, np.full(1, np.inf))
        radii = {key: np.array([c.radius_mm for c in found]) for key, found in own.items()}
        tried = np.concatenate(list(radii.values()))[:, None]
        costs = {
            key: np.array([c.cost for c in found])
            + np.minimum(0.5 * ((radii[key] - tried) / _SAME_MM) ** 2, _MOST_APART)
            for key, found in own.items()
        }
        return cls(own, costs, np.sum([cost.min(axis=1) for cost in costs.values()], axis=0))

    def best(self) -> dict[Key, _Choice]:
        """Give the best choice for each photo."""
        at = int(self.totals.argmin())
        return {key: found[int(self.costs[key][at].argmin())] for key, found in self.own.items()}

    def within(self, key: Key, most: float) -> set[int]:
        """Numbers of a photo's choices against which no more than so much speaks."""
        if key not in self.own:
            return set()
        costs = self.costs[key]
        all_told = (self.totals - costs.min(axis=1))[:, None] + costs
        near = np.flatnonzero(all_told.min(axis=0) <= most)
        return {self.own[key][i].number for i in near}


def _weighed(choices: Mapping[Key, Sequence[_Choice]]) -> list[_WeighedPairs[Key]]:
    """Weigh round and square choices, the better of them first."""
    both = [_WeighedPairs.of(choices, square=square) for square in (False, True)]
    return sorted(both, key=lambda shape: float(shape.totals.min()))
