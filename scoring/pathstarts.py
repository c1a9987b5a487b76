"""Where a search for kinks and steps begins: from too many of them, or from none.

A dense row of kinks is thinned out by backward elimination, all three coordinates as one group, and close pairs of
those left become steps; or whole faults are added, the best at a time (orthogonal matching pursuit, Pati, Rezaiifar &
Krishnaprasad 1993, over composite atoms).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .pathmodel import Problem
from .pathsearch import CLOSEST_BLURS, FAULT_MM, JOIN_BLURS, LEAST_SAVING, PRICE, Candidate, refine, simplify

__all__ = ["add_faults", "add_missing", "few", "from_many", "moved_elsewhere", "rebuilt"]

Array = NDArray[np.float64]

_GAIN: Final = 30.0  # fall of chi-squared a feature must bring: three coordinates, one place, many places tried
_CANDIDATE_MM: Final = 0.15
_MOST_KINKS: Final = 24
_MOST_ADDED: Final = 6
_GRID_MM: Final = 0.1
_APART_MM: Final = 0.35
_BEST_OF_KIND: Final = 3
_MOST_FAULTS: Final = 10
_AROUND_MM: Final = 1.3
_ELSEWHERE: Final = 2  # places that are tried for each feature
_WORTH_MOVING: Final = 3.0  # of cost; less is noise, and a table's courses would be told otherwise at each resolution
_BEST_FAULTS: Final = 3  # after one round of refining
_HOPEFUL_SHARE: Final = 0.3  # of what the best fault seems to save; places on a grid understate a step most


def from_many(problem: Problem) -> Candidate:
    """Return what is left of a dense row of kinks."""
    kinks = _thin_out(problem, problem.grid(_CANDIDATE_MM))
    return simplify(problem, *_join(problem, *refine(problem, kinks, np.empty(0), 10)))


def _thin_out(problem: Problem, kinks: Array) -> Array:
    """Delete from a dense row of kinks, one by one, whichever chi-squared minds least (closed form)."""
    basis = problem.columns(kinks, np.empty(0))[:, : len(kinks)]
    gram = basis.T @ basis
    gram[np.diag_indices_from(gram)] *= 1.0 + 1e-11
    inverse = np.linalg.inv(gram)
    amplitudes = inverse @ (basis.T @ problem.without_course)
    kept = np.arange(len(kinks))
    while len(kept):
        spread = np.diag(inverse)
        rises = np.sum(amplitudes**2, axis=1) / spread
        i = int(np.argmin(rises))
        if rises[i] > _GAIN and len(kept) <= _MOST_KINKS:
            break
        column = inverse[:, i] / inverse[i, i]
        amplitudes = np.delete(amplitudes - column[:, None] * amplitudes[i], i, axis=0)
        inverse = inverse - np.outer(column, inverse[i])
        inverse = np.delete(np.delete(inverse, i, axis=0), i, axis=1)
        kept = np.delete(kept, i)
    return kinks[kept]


def _join(problem: Problem, kinks: Array, steps: Array) -> tuple[Array, Array]:
    """Take two close kinks for one step, with a kink or without, wherever that describes the data as well."""
    pairs = True
    refused: set[float] = set()
    while pairs:
        pairs = False
        kinks = np.sort(kinks)
        gaps = np.diff(kinks)
        for i in np.argsort(gaps):
            middle = float(kinks[i] + kinks[i + 1]) / 2
            if gaps[i] > JOIN_BLURS * problem.sigma + 0.1 or round(middle, 2) in refused:
                continue
            before = problem.fit(kinks, steps).loss
            rest = np.delete(kinks, [i, i + 1])
            joined = refine(problem, np.append(rest, middle), np.append(steps, middle), 8)
            after = problem.fit(*joined).loss
            if after < before + _GAIN / 3:
                kinks, steps = joined
                pairs = True
                break
            refused.add(round(middle, 2))
    return kinks, steps


def few(problem: Problem, most: int) -> Candidate | None:
    """Return the features of data that a few describe, one added after the other; ``None`` if more are needed."""
    kinks, steps, enough = _added(problem, np.empty(0), np.empty(0))
    found = simplify(problem, kinks, steps) if enough else None
    return found if found is not None and found.count <= most else None


def add_missing(problem: Problem, kinks: Array, steps: Array) -> Candidate:
    """Add what is still missing, the best single feature at a time (orthogonal matching pursuit)."""
    kinks, steps, _ = _added(problem, kinks, steps)
    return simplify(problem, kinks, steps)


def _added(problem: Problem, kinks: Array, steps: Array) -> tuple[Array, Array, bool]:
    """Return places with those that were missing, and whether none is missing any more."""
    singles = _Singles.of(problem)
    for _ in range(_MOST_ADDED):
        gain = singles.gains(problem, kinks, steps)
        best = int(np.argmax(gain))
        if gain[best] < _GAIN:
            return kinks, steps, True
        kinks, steps = refine(problem, *singles.added(best, kinks, steps), 6)
    return kinks, steps, False


@dataclass(frozen=True, slots=True, eq=False)
class _Singles:
    """Single features on a grid of places, kinks first, then steps; columns (n, 2 g) and their squares (2 g)."""

    grid: Array
    columns: Array
    norms: Array

    @classmethod
    def of(cls, problem: Problem) -> _Singles:
        grid, columns = problem.table(_CANDIDATE_MM / 2)
        columns = np.hstack([columns[:, : len(grid)], columns[:, 2 * len(grid) :]])
        return cls(grid, columns, np.sum(columns**2, axis=0))

    def gains(self, problem: Problem, kinks: Array, steps: Array) -> Array:
        """Return how much of chi-squared each would explain of what a set of features leaves."""
        q, _r = np.linalg.qr(problem.columns(kinks, steps))
        residual = problem.without_course - q @ (q.T @ problem.without_course)
        left = self.norms - np.sum((q.T @ self.columns) ** 2, axis=0)
        gain = np.sum((self.columns.T @ residual) ** 2, axis=1) / np.maximum(left, 1e-3 * self.norms + 1e-12)
        apart = max(CLOSEST_BLURS * problem.sigma, 0.08)
        for offset, places in ((0, kinks), (len(self.grid), steps)):
            taken = np.min(np.abs(self.grid[:, None] - places), axis=1, initial=np.inf) < apart
            gain[offset : offset + len(self.grid)][taken] = 0.0
        return np.asarray(gain)

    def added(self, which: int, kinks: Array, steps: Array) -> tuple[Array, Array]:
        """Return a set of features with one more."""
        place = self.grid[which % len(self.grid)]
        return (np.append(kinks, place), steps) if which < len(self.grid) else (kinks, np.append(steps, place))


def moved_elsewhere(problem: Problem, found: Candidate) -> Candidate:
    """Move single features to where they explain most, for as long as that is cheaper."""
    singles = _Singles.of(problem)
    best, again = found, True
    while again:
        again = False
        for i in range(best.count):
            kinks, steps = _without(best, i)
            gain = singles.gains(problem, kinks, steps)
            trials = []
            for _ in range(_ELSEWHERE):
                which = int(np.argmax(gain))
                trials.append(Candidate.refined(problem, *singles.added(which, kinks, steps), 6))
                place = singles.grid[which % len(singles.grid)]
                gain[np.tile(np.abs(singles.grid - place) < _APART_MM, 2)] = 0.0
            trial = min(trials, key=lambda one: one.cost)
            if trial.cost < best.cost - _WORTH_MOVING:
                best, again = simplify(problem, trial.kinks, trial.steps), True
                break
    return best


def _without(found: Candidate, index: int) -> tuple[Array, Array]:
    count = len(found.kinks)
    if index < count:
        return np.delete(found.kinks, index), found.steps
    return found.kinks, np.delete(found.steps, index - count)


def add_faults(
    problem: Problem, kinks: Array, steps: Array, within_mm: tuple[float, float] = (0.0, np.inf)
) -> Candidate:
    """Add whole faults, the best at a time: a kink, a step, a steep stretch, or a held stretch with its step.

    What each would bring is worked out in closed form on a grid of places and widths; the most promising few of each
    kind are refined before one is chosen.
    """
    first, last = within_mm
    grid, table = problem.table(_GRID_MM)
    within = (grid >= first) & (grid <= last)
    grid, table = grid[within], table[:, np.tile(within, 3)]
    norms = np.sum(table**2, axis=0)
    best = Candidate.of(problem, kinks, steps)
    for _ in range(_MOST_FAULTS):
        taken = np.linalg.qr(problem.columns(best.kinks, best.steps))[0]
        rest = table - taken @ (taken.T @ table)
        gram = rest.T @ rest
        gram[np.diag_indices_from(gram)] += 1e-4 * norms + 1e-12
        quick = [
            Candidate.refined(problem, np.append(best.kinks, more_kinks), np.append(best.steps, more_steps), 1)
            for more_kinks, more_steps in _promising(grid, gram, rest.T @ problem.without_course)
        ]
        quick.sort(key=lambda trial: trial.cost)
        trials = [Candidate.refined(problem, t.kinks, t.steps, 3) for t in quick[:_BEST_FAULTS]]
        winner = min(trials, key=lambda trial: trial.cost, default=best)
        if winner.cost >= best.cost - LEAST_SAVING:
            break
        best = Candidate.refined(problem, winner.kinks, winner.steps, 8)
    return best


def _promising(grid: Array, gram: Array, right: Array) -> Iterator[tuple[Array, Array]]:
    """Yield new kinks and steps: of each kind of fault the few that gain most."""
    n = len(grid)
    one = np.arange(n)
    wide = round(FAULT_MM / _GRID_MM)
    first, second = np.nonzero((one > one[:, None]) & (one <= one[:, None] + wide))
    kinds: tuple[tuple[list[NDArray[np.intp]], list[NDArray[np.intp]]], ...] = (
        ([one], []),
        ([], [one]),
        ([one], [one]),
        ([first, second], []),
        ([first, second], [first]),
        ([first, second], [second]),
    )
    found: list[tuple[float, Array, Array]] = []
    for kink_places, step_places in kinds:
        columns = np.stack([c for k in kink_places for c in (k, n + k)] + [2 * n + s for s in step_places], axis=1)
        part = right[columns]
        gains = np.sum(part * np.linalg.solve(gram[columns[:, :, None], columns[:, None, :]], part), axis=(1, 2))
        anchor = (kink_places or step_places)[0]
        for _ in range(_BEST_OF_KIND):
            i = int(np.argmax(gains))
            saved = float(gains[i]) - PRICE * (len(kink_places) + len(step_places))
            places = np.array([grid[k[i]] for k in kink_places]), np.array([grid[s[i]] for s in step_places])
            found.append((saved, *places))
            gains[np.abs(anchor - anchor[i]) * _GRID_MM < _APART_MM] = 0.0
    best = max(saved for saved, _, _ in found)
    for saved, more_kinks, more_steps in found:
        if saved > max(_HOPEFUL_SHARE * best, 0.0):
            yield more_kinks, more_steps


def rebuilt(problem: Problem, found: Candidate) -> Candidate:
    """Take features near each other away and add faults anew, wherever that ends cheaper: a search can be caught."""
    best = found
    tried: set[tuple[float, ...]] = set()
    while True:
        for place in np.sort(np.concatenate([best.kinks, best.steps])).tolist():
            far, away = np.abs(best.kinks - place) > _AROUND_MM, np.abs(best.steps - place) > _AROUND_MM
            near = (*best.kinks[~far].round(2), *best.steps[~away].round(2))
            if len(near) < 2 or near in tried:
                continue
            tried.add(near)
            trial = add_faults(problem, best.kinks[far], best.steps[away], (place - _AROUND_MM, place + _AROUND_MM))
            if trial.cost < best.cost - LEAST_SAVING:
                best = simplify(problem, trial.kinks, trial.steps)
                break
        else:
            return best
