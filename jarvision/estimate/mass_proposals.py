"""Which masses stack as the jar in hand did: drawn, not searched.

Tried and left out: starting from masses that a regression foretells (silt's mass stays unsure by a
factor of three); fewer rounds, several masses a draw; sand drawn before silt with a solution
between (a few draws count for all); a wider second law for sand and silt; further rounds only where
a guess was still a surprise; parabolas through five amounts of clay in place of its law; rough
settling before the clay is drawn (half the kinds of grain spare a tenth of the time, and one look a
step costs jar 9 three quarters of its effective draws). With a round less, before the clay or after
it, means of single jars move by 0.3 points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from jarvision.core.special_functions import log_ndtr, ndtr, ndtri
from jarvision.estimate.known import Evidence
from jarvision.estimate.settling import Path
from jarvision.estimate.small_matrices import inverse, lower_root, solved
from jarvision.estimate.stacking import Jars, charge_of, seen, settled
from jarvision.estimate.topsoil import log_prior

Array = NDArray[np.float64]

_ROUNDS = 4  # times that the masses are solved anew before the clay is drawn
_AGAIN = 3  # and times that sand and silt are solved anew with that clay
_LEAP = 2.5  # most that one of these times changes a mass
_NUDGE = 0.1  # share by which a mass is changed to see what that does
_STEPS, _FAR_SD = 16, 3.5  # in which the clay is drawn, and how far from its middle
_EVEN = 0.1  # part of the clay that is drawn from anywhere, since its law is the least normal
_SOFT, _SOFTLY = 0.2, 0.4  # and part from its law to this power, which is wider

CHANCES = 7
"""Numbers between 0 and 1 by which masses are drawn: four for the clay, three for sand and silt."""


@dataclass(frozen=True, slots=True)
class _Guess:
    """Masses (3, N), what they let see (S, N), what more of each would (S, 3, N); the settling."""

    mass: Array
    seen: Array
    slopes: Array
    path: Path


def _first_masses(evidence: Evidence, jars: Jars) -> Array:
    """Each class a third of the soil, to start from."""
    each = jars.scale * evidence.top_mm.max() / 10.0 / (1.0 / jars.layer_g_cm3).sum(axis=0)
    return np.tile(each, (3, 1))


@dataclass(frozen=True, slots=True)
class _Normal:
    """N normal laws of F masses, cut off at zero: (F, N), (F, F, N)."""

    mean: Array
    precision: Array
    best: Array
    """Most likely masses that are not negative."""


def _solve(evidence: Evidence, guess: _Guess, loose: Array, free: int) -> _Normal:
    """Law of the first F masses, the others as they are: what is seen is nearly linear in them.

    `loose` (N,) tells how weakly each mass is held where it is.
    """
    slopes, mass = guess.slopes[:, :free], guess.mass[:free]
    weighted = slopes / evidence.variances[:, None, None]
    precision = np.einsum("tin,tjn->ijn", weighted, slopes)
    precision[range(free), range(free)] += loose
    wanted = evidence.values[:, None] - guess.seen + np.einsum("tin,in->tn", slopes, mass)
    pull = np.einsum("tin,tn->in", weighted, wanted) + loose * mass
    mean = solved(precision, pull)
    best = mean.copy()
    below = np.flatnonzero(mean.min(axis=0) < 0.0)
    start = np.maximum(mean[:, below], 0.0)
    best[:, below] = _not_negative(precision[:, :, below], pull[:, below], start)
    return _Normal(mean, precision, np.maximum(best, 1e-3 * best.sum(axis=0)))


def _not_negative(precision: Array, pull: Array, start: Array) -> Array:
    """Lowest point of the quadratic among masses of zero or more, by descent along each axis."""
    best = start.copy()
    for _ in range(8):
        for kind in range(len(best)):
            slope = pull[kind] - (precision[kind] * best).sum(axis=0)
            best[kind] = np.maximum(0.0, best[kind] + slope / precision[kind, kind])
    return best


_STRETCH = 1.1  # proposals are drawn this much wider than the normal law they stand for


@dataclass(frozen=True, slots=True)
class _CutOff:
    """N normal laws of F masses over zero, drawn and weighed one mass after the other.

    Each from its normal law given the ones before, cut off at zero (the sampler of Geweke,
    Hajivassiliou and Keane, from memory).
    """

    mean: Array
    root: Array

    @staticmethod
    def of(law: _Normal) -> _CutOff:
        return _CutOff(law.mean, _STRETCH * lower_root(inverse(law.precision)))

    def draw(self, chance: Array) -> Array:
        """Masses (F, N) by numbers between 0 and 1 (F, N)."""
        mass, noise = np.empty_like(self.mean), np.zeros_like(self.mean)
        for kind in range(len(mass)):
            centre, sd = self._next(kind, noise)
            noise[kind] = -ndtri(chance[kind] * ndtr(np.clip(centre / sd, -30.0, 30.0)))
            mass[kind] = centre + sd * noise[kind]
        return mass

    def log_density(self, mass: Array) -> Array:
        """Of masses (F, N), which are over zero."""
        noise = np.zeros_like(self.mean)
        log_q = np.full(mass.shape[1], -0.5 * len(mass) * math.log(2.0 * math.pi))
        for kind in range(len(mass)):
            centre, sd = self._next(kind, noise)
            noise[kind] = (mass[kind] - centre) / sd
            inside = np.clip(centre / sd, -30.0, 30.0)
            log_q -= 0.5 * noise[kind] ** 2 + np.log(sd) + log_ndtr(inside)
        return log_q

    def _next(self, kind: int, noise: Array) -> tuple[Array, Array]:
        """Middle and sd (N,) of a mass, given the noise of those before it."""
        carried = (self.root[kind, :kind] * noise[:kind]).sum(axis=0)
        return self.mean[kind] + carried, self.root[kind, kind]


def _first_guess(evidence: Evidence, jars: Jars) -> _Guess:
    """Start, with slopes as if more of a class left the others' settling as it is."""
    mass = _first_masses(evidence, jars)
    charge = charge_of(jars, mass)
    path = settled(evidence, jars, charge)
    there = seen(evidence, jars, mass, charge, path)
    guess = _Guess(mass, there, np.empty((len(there), *mass.shape)), path)
    return _with_new_slopes(evidence, jars, guess, 3)


def _with_new_slopes(evidence: Evidence, jars: Jars, guess: _Guess, free: int) -> _Guess:
    """Take the first F slopes as if more of a class left the others' settling as it is."""
    slopes = guess.slopes.copy()
    for kind in range(free):
        more = guess.mass.copy()
        more[kind] *= 1.0 + _NUDGE
        changed = seen(evidence, jars, more, charge_of(jars, more), guess.path)
        slopes[:, kind] = (changed - guess.seen) / (_NUDGE * guess.mass[kind])
    return replace(guess, slopes=slopes)


def _next_guess(evidence: Evidence, jars: Jars, guess: _Guess, wanted: Array) -> _Guess:
    """Go to other masses, at most a leap away, and learn from it (Broyden's rule, from memory)."""
    mass = np.clip(wanted, guess.mass / _LEAP, guess.mass * _LEAP)
    charge = charge_of(jars, mass)
    path = settled(evidence, jars, charge)
    there = seen(evidence, jars, mass, charge, path)
    step = mass - guess.mass
    missed = there - guess.seen - np.einsum("tin,in->tn", guess.slopes, step)
    length = (step**2).sum(axis=0) + 1e-12 * (mass**2).sum(axis=0)
    learned = missed[:, None] * (step / length)
    return _Guess(mass, there, guess.slopes + learned, path)


def fill(evidence: Evidence, jars: Jars, chances: Array) -> tuple[Array, Array]:
    """Masses that stack as the jar did (3, N), and the log density they were drawn with (N,).

    Where clay clumps and lies with the silt, heights tell hardly how much of the fines is clay,
    and what sand and silt go with it is far from linear: so the clay is drawn first, then sand and
    silt from what the heights leave them. `chances` (N, CHANCES) tell where in these laws.
    """
    guess = _first_guess(evidence, jars)
    loose = guess.mass.sum(axis=0) ** -2.0
    for _ in range(_ROUNDS):
        law = _solve(evidence, guess, loose, 3)
        guess = _next_guess(evidence, jars, guess, law.best)
    law = _solve(evidence, guess, loose, 3)
    clay, log_q = _draw_clay(evidence, jars, law, chances.T[:4])
    moved = guess.seen + guess.slopes[:, 2] * (clay - guess.mass[2])
    there = replace(guess, mass=np.vstack([guess.mass[:2], clay]), seen=moved)
    law = _solve(evidence, there, loose, 2)
    for _ in range(_AGAIN):
        guess = _next_guess(evidence, jars, guess, np.vstack([law.best, clay]))
        law = _solve(evidence, guess, loose, 2)
    other = _solve(evidence, _with_new_slopes(evidence, jars, guess, 2), loose, 2)
    coarse, log_coarse = _draw_either(law, other, chances.T[4:])
    drawn = np.vstack([coarse, clay])
    real = np.all(drawn > 0, axis=0)  # the cut-off law runs out of digits 30 sd from zero
    return np.where(real, drawn, guess.mass), np.where(real, log_q + log_coarse, 1e6)


def _draw_either(law: _Normal, other: _Normal, chances: Array) -> tuple[Array, Array]:
    """Masses (F, N) from either of two laws, and the log density of them (N,).

    Slopes that were learned on the way are wrong for some jars, those taken anew for others, as
    where silt goes into the sand's pores; both together are seldom wrong.
    """
    laws = [_CutOff.of(each) for each in (law, other)]
    mass = np.where(chances[0] < 0.5, *(each.draw(chances[1:]) for each in laws))
    log_q = np.logaddexp(*(each.log_density(mass) for each in laws)) - math.log(2.0)
    return mass, np.asarray(log_q)


def _draw_clay(evidence: Evidence, jars: Jars, law: _Normal, chances: Array) -> tuple[Array, Array]:
    """Clay (N,) by what the heights and the origin say of it, and the log density of it (N,).

    In steps, each as likely as its middle; a part is drawn from anywhere, since masses far from
    the guess are the least linear. `chances` (4, N): the step, the place in it, whether from
    anywhere, and the place there.
    """
    most = 0.15 * jars.scale * evidence.top_mm.max() * jars.layer_g_cm3[2]
    spread = inverse(law.precision)
    centre, sd = law.mean[2], np.sqrt(spread[2, 2])
    low = np.clip(centre - _FAR_SD * sd, 0.0, 0.9 * most)
    width = (np.clip(centre + _FAR_SD * sd, low + 0.1 * most, most) - low) / _STEPS
    middles = low + width * (np.arange(_STEPS)[:, None] + 0.5)
    odds = np.exp(_log_clay(evidence, law.mean, spread, middles))
    odds /= odds.sum(axis=0)
    soft = odds**_SOFTLY
    odds = (1.0 - _SOFT) * odds + _SOFT * soft / soft.sum(axis=0)
    ladder = np.cumsum(odds, axis=0)
    rung, part, kind, place = chances
    step = (ladder < ladder[-1] * rung).sum(axis=0)
    own = low + width * (np.minimum(step, _STEPS - 1) + part)
    clay = np.maximum(np.where(kind < _EVEN, most * place, own), 1e-6 * most)
    step = np.floor((clay - low) / width).astype(np.intp)
    inside = (step >= 0) & (step < _STEPS)
    of_step = odds[np.clip(step, 0, _STEPS - 1), np.arange(centre.size)]
    density = np.where(inside, of_step / width, 0.0)
    return clay, np.log((1.0 - _EVEN) * density + _EVEN * (clay < most) / most + 1e-300)


def _log_clay(evidence: Evidence, mean: Array, spread: Array, clay: Array) -> Array:
    """How likely amounts of clay (C, N) are, with the sand and silt they leave, in logarithms.

    `mean` (3, N) and `spread` (3, 3, N) are those of the masses' normal laws.
    """
    away = clay - mean[2]
    log_p = -0.5 * away**2 / spread[2, 2]
    masses = np.empty((3, *clay.shape))
    masses[2] = clay
    for kind in range(2):
        slope = spread[kind, 2] / spread[2, 2]
        sd = np.sqrt(np.maximum(spread[kind, kind] - slope * spread[kind, 2], 1e-12))
        middle = mean[kind] + slope * away
        log_p += log_ndtr(middle / sd)
        masses[kind] = 0.5 * (middle + np.sqrt(middle**2 + sd**2))  # about, over zero
    log_p += log_prior(masses, evidence.facts.origin)
    return np.asarray(log_p - log_p.max(axis=0))
