"""Descend among sets of kinks and steps to as few as describe a profile.

What a set costs is the chi-squared it leaves plus a price for each feature, less for a kink that shares a step's place.
Features are dropped, exchanged and merged for as long as that is cheaper; their places are refined together by
Gauss-Newton (variable projection, Golub & Pereyra 1973), and a kink at a step stays at it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .pathmodel import WIDTH_GAIN, Fit, Problem, cholesky, ridged

__all__ = [
    "CLOSEST_BLURS",
    "FAULT_MM",
    "JOIN_BLURS",
    "LEAST_SAVING",
    "PRICE",
    "Candidate",
    "hardened",
    "refine",
    "simplify",
    "snapped",
    "softened",
    "tie",
]

Array = NDArray[np.float64]

PRICE: Final = 18.0  # of chi-squared a feature: a place, speed and bend in three coordinates; set on rehearsals
_TIED_PRICE: Final = 8.0  # of a kink at a step that is worth its own price: it has no place of its own
_END_MM: Final = 0.05
FAULT_MM: Final = 2.5  # widest fault that is tried as a whole
JOIN_BLURS: Final = 4.0
_TIE_BLURS: Final = 3.0
_HARD_BLURS: Final = 2.5  # apart, two kinks may be a step
CLOSEST_BLURS: Final = 1.6
_CLOSEST_STEPS_BLURS: Final = 3.0  # nearer ones look like one steep stretch, and are taken for it
_MOST_MOVES: Final = 12
_HOPEFUL_MOVES: Final = 12
_BEST_MOVES: Final = 3
_DAMPING: Final = 1e-3  # of a move: of the diagonal
LEAST_SAVING: Final = 0.1


@dataclass(frozen=True, slots=True)
class Candidate:
    """Places of kinks and steps, and what they cost."""

    kinks: Array
    steps: Array
    cost: float

    @property
    def count(self) -> int:
        """How many features it has."""
        return len(self.kinks) + len(self.steps)

    @classmethod
    def of(cls, problem: Problem, kinks: Array, steps: Array) -> Candidate:
        """Price a set of features; those closer together than blur can tell apart are not allowed."""
        return cls._priced(problem, kinks, steps, problem.fit(kinks, steps))

    @classmethod
    def refined(cls, problem: Problem, kinks: Array, steps: Array, rounds: int) -> Candidate:
        """Refine a set of features and price it."""
        return cls._priced(problem, *_refined(problem, kinks, steps, rounds))

    @classmethod
    def _priced(cls, problem: Problem, kinks: Array, steps: Array, fit: Fit) -> Candidate:
        cost = fit.loss + PRICE * (len(kinks) + len(steps)) - _discount(kinks, steps, fit)
        kinks, steps = np.sort(kinks), np.sort(steps)
        crowded = any(
            len(places) > 1 and np.diff(places).min() < max(blurs * problem.sigma, 0.08)
            for places, blurs in ((kinks, CLOSEST_BLURS), (steps, _CLOSEST_STEPS_BLURS))
        )
        return cls(kinks, steps, cost + 1e3 * crowded)


def _discount(kinks: Array, steps: Array, fit: Fit) -> float:
    """Return what kinks at steps cost less: they have no place of their own. A step must be worth its price by itself.

    Else it only helps a kink to describe what is bent, as a table's courses are.
    """
    tied = np.flatnonzero(np.isin(steps, kinks))
    if not len(tied):
        return 0.0
    columns = 2 * len(kinks) + tied
    spread = fit.triangle.solve(np.eye(len(fit.rows))[:, columns])[columns, np.arange(len(columns))]
    worth = np.sum(fit.amplitudes[columns] ** 2, axis=1) / spread  # rise of chi-squared without the step
    return float(np.sum(np.clip(worth - PRICE, 0.0, PRICE - _TIED_PRICE)))


def refine(problem: Problem, kinks: Array, steps: Array, rounds: int) -> tuple[Array, Array]:
    """Move all places together to where chi-squared is least (Gauss-Newton with shrinking steps)."""
    kinks, steps, _ = _refined(problem, kinks, steps, rounds)
    return kinks, steps


def _refined(problem: Problem, kinks: Array, steps: Array, rounds: int) -> tuple[Array, Array, Fit]:
    """Return the places, and the fit there."""
    count = len(kinks)
    places = np.concatenate([kinks, steps])
    now = problem.fit(kinks, steps)
    if not len(places):
        return kinks, steps, now
    # nearer to hub or rim than blur can tell, a feature is the border itself
    edge = max(_END_MM, problem.sigma)
    low, high = problem.inner + edge, problem.outer - edge
    own, of = np.unique(places, return_inverse=True)
    shared = np.eye(len(own))[of]
    for _ in range(rounds):
        gram, downhill = problem.descent(now)
        gram = ridged(shared.T @ gram @ shared, _DAMPING)
        move = shared @ np.clip(cholesky(gram).solve(shared.T @ downhill), -0.15, 0.15)
        before = now.loss
        for share in (1.0, 0.4, 0.1):
            moved = np.clip(places + share * move, low, high)
            trial = problem.fit(moved[:count], moved[count:])
            if trial.loss < before:
                places, now = moved, trial
                break
        if before - now.loss < 0.02:
            break
    return places[:count], places[count:], now


def simplify(problem: Problem, kinks: Array, steps: Array) -> Candidate:
    """Descend in cost by dropping, exchanging and merging features."""
    best = Candidate.refined(problem, kinks, steps, 6)
    for _ in range(_MOST_MOVES):
        hopeful = _screen(problem, list(_moves(best, problem.sigma)))
        quick = [Candidate.refined(problem, *move, 2) for move in hopeful]
        quick.sort(key=lambda trial: trial.cost)
        trials = [Candidate.refined(problem, t.kinks, t.steps, 8) for t in quick[:_BEST_MOVES]]
        winner = min(trials, key=lambda trial: trial.cost, default=best)
        if winner.cost >= best.cost - LEAST_SAVING:
            break
        best = winner
    last = Candidate.refined(problem, best.kinks, best.steps, 12)
    return min(best, last, key=lambda trial: trial.cost)


def tie(problem: Problem, kinks: Array, steps: Array) -> Array:
    """Give every step a kink of its own, in place of those that blur cannot tell from it."""
    for step in steps:
        near = np.abs(kinks - step) < _TIE_BLURS * problem.sigma
        tied = np.append(kinks[~near], step)
        before, after = problem.fit(kinks, steps).loss, problem.fit(tied, steps).loss
        if after < before + PRICE * near.sum() and (near.any() or after < before - _TIED_PRICE):
            kinks = tied
    return kinks


def hardened(problem: Problem, kinks: Array, steps: Array) -> tuple[Array, Array]:
    """Take two close kinks for a step with a kink of its own, unless the data say that it has a width."""
    from scipy.optimize import minimize_scalar

    near = _HARD_BLURS * problem.sigma
    kinks = np.sort(kinks)
    for inner, outer in zip(kinks[:-1].tolist(), kinks[1:].tolist(), strict=True):
        pair = (kinks == inner) | (kinks == outer)
        by_step = np.min(np.abs(steps - (inner + outer) / 2), initial=np.inf) <= near
        if outer - inner >= near or by_step or pair.sum() < 2:
            continue
        rest = kinks[~pair]

        def loss(place: float, rest: Array = rest, steps: Array = steps) -> float:
            return problem.fit(np.append(rest, place), np.append(steps, place)).loss

        found = minimize_scalar(loss, bounds=(inner, outer), method="bounded", options={"xatol": 1e-3})
        if found.fun < problem.fit(kinks, steps).loss + WIDTH_GAIN:
            kinks, steps = np.append(rest, found.x), np.append(steps, found.x)
    return kinks, steps


def softened(problem: Problem, kinks: Array, steps: Array) -> tuple[Array, Array]:
    """Take a step with a kink of its own for two kinks if the data say that it is wide: the reverse of `hardened`."""
    for step in steps[np.isin(steps, kinks)].tolist():
        ends = [step - problem.sigma, step + problem.sigma]
        *soft, fit = _refined(problem, np.append(kinks[kinks != step], ends), steps[steps != step], 8)
        if fit.loss + WIDTH_GAIN < problem.fit(kinks, steps).loss:
            return softened(problem, *soft)  # all places have moved
    return kinks, steps


def snapped(problem: Problem, kinks: Array, steps: Array) -> Array:
    """Move kinks that blur cannot tell from a step to it, and make one of several."""
    if not len(steps):
        return kinks
    nearest = steps[np.argmin(np.abs(kinks[:, None] - steps), axis=1)]
    return np.unique(np.where(np.abs(kinks - nearest) < _TIE_BLURS * problem.sigma, nearest, kinks))


def _screen(problem: Problem, moves: Iterable[tuple[Array, Array]]) -> list[tuple[Array, Array]]:
    """Return the sets of features that cost least where they stand; all share one table of columns and products."""
    moves = list(moves)
    kinks = np.unique(np.concatenate([np.empty(0), *(move[0] for move in moves)]))
    steps = np.unique(np.concatenate([np.empty(0), *(move[1] for move in moves)]))
    columns = problem.columns(kinks, steps)
    gram = ridged(columns.T @ columns)
    right = columns.T @ problem.without_course
    costs = []
    for move in moves:
        k, s = np.searchsorted(kinks, move[0]), np.searchsorted(steps, move[1])
        if len(np.unique(k)) < len(k) or len(np.unique(s)) < len(s):
            costs.append(np.inf)
            continue
        chosen = np.concatenate([k, len(kinks) + k, 2 * len(kinks) + s])
        part = right[chosen]
        gained = np.sum(part * cholesky(gram[np.ix_(chosen, chosen)]).solve(part)) if len(chosen) else 0.0
        tied = int(np.isin(*move).sum())  # in favour of a move: a step may prove to be worth it
        costs.append(PRICE * (len(k) + len(s)) - (PRICE - _TIED_PRICE) * tied - float(gained))
    order = np.argsort(costs, kind="stable")[:_HOPEFUL_MOVES]
    return [moves[i] for i in order if np.isfinite(costs[i])]


def _moves(now: Candidate, sigma: float) -> Iterator[tuple[Array, Array]]:
    """Yield simpler or other sets of features near one."""
    near = JOIN_BLURS * sigma + 0.1
    kinks, steps = now.kinks, now.steps
    for i in range(len(kinks)):
        yield np.delete(kinks, i), steps
        yield np.delete(kinks, i), np.append(steps, kinks[i])
        if kinks[i] in steps:
            yield np.append(np.delete(kinks, i), kinks[i] - sigma), steps
            yield np.append(np.delete(kinks, i), kinks[i] + sigma), steps
    for i in range(len(steps)):
        yield kinks, np.delete(steps, i)
        yield np.append(kinks, steps[i]), steps
        yield np.append(kinks, steps[i]), np.delete(steps, i)
        for j in np.flatnonzero(np.abs(kinks - steps[i]) < near):
            yield np.append(np.delete(kinks, j), steps[i]), steps
    for i in np.flatnonzero(np.diff(steps) < near).tolist():
        middle, half = (steps[i] + steps[i + 1]) / 2, np.sqrt(3.0) * (steps[i + 1] - steps[i]) / 2  # of the same spread
        yield np.append(kinks, [middle - half, middle + half]), np.delete(steps, [i, i + 1])
    for i in np.flatnonzero(np.diff(kinks) < near).tolist():
        middle = (kinks[i] + kinks[i + 1]) / 2
        rest = np.delete(kinks, [i, i + 1])
        yield np.append(rest, middle), np.append(steps, middle)
        yield rest, np.append(steps, middle)
        yield np.append(rest, middle), steps
    yield from _rewritten(kinks, steps)


def _rewritten(kinks: Array, steps: Array) -> Iterator[tuple[Array, Array]]:
    """Yield sets in which a crowd of features becomes one held stretch and its step, or one steep stretch."""
    places = np.sort(np.concatenate([kinks, steps]))
    for i in range(len(places)):
        for j in range(i + 1, min(i + 6, len(places))):
            start, stop = places[i], places[j]
            if stop - start > FAULT_MM:
                break
            others = kinks[(kinks < start) | (kinks > stop)], steps[(steps < start) | (steps > stop)]
            ends = np.append(others[0], [start, stop])
            yield ends, np.append(others[1], stop)
            yield ends, np.append(others[1], start)
            if j > i + 1:
                yield ends, others[1]
