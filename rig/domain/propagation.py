"""Errors sent through a formula that bends: where it departs from its tangent, its corners, Monte Carlo.

JCGM 101:2008 for the propagation of distributions.
"""

from __future__ import annotations

import enum
import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.domain.derivative import Expression

Floats = NDArray[np.float64]

BENDS = 0.05
"""Share of the standard uncertainty by which a formula may depart from its tangent over its inputs' errors.

Half a unit of the second digit of 1.0: what rounding an uncertainty to two digits hides (GUM 7.2.6). It
keeps the second-order terms (GUM 5.1.2, NOTE) below a hundredth of the variance."""
DRAWS = 200_000
"""Draws of a Monte Carlo run: 10^4 / (1 - p) for p = 95 % (JCGM 101:2008, 7.2.2)."""
CORNERS = 12
"""Up to so many causes the bound of a bent formula is looked for in every corner of their errors."""
INSIDE = 4096
"""Points within the corners that are tried too, and corners where there are too many for all."""
TOP = ""
"""Stands for the asked quantity itself among the variables."""
_SEED = 0


class ErrorShape(enum.StrEnum):
    """Distribution of an error."""

    RECTANGULAR = "rectangular"
    NORMAL = "normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceError:
    """One error at one variable of a formula. source: in words; errors of equal cause are one error.

    half_width, standard: in the unit of the channel that it stands at; coefficient: of the variable to it.
    """

    variable: str
    source: str
    cause: tuple[str, ...]
    shape: ErrorShape
    half_width: float
    standard: float
    coefficient: float = 1.0


def by_cause(effects: Iterable[tuple[tuple[str, ...], float]]) -> dict[tuple[str, ...], float]:
    """Return the sum of the effects of each cause, with their signs."""
    found: dict[tuple[str, ...], float] = {}
    for cause, effect in effects:
        found[cause] = found.get(cause, 0.0) + effect
    return found


class Spread:
    """What errors of the variables make of a formula's value about one operating point."""

    def __init__(
        self,
        expression: Expression,
        errors: Sequence[SourceError],
        slopes: Mapping[str, float],
        values: Mapping[str, float],
    ) -> None:
        self._expression, self._errors, self._slopes, self._values = expression, errors, slopes, values
        self._columns = {cause: k for k, cause in enumerate(dict.fromkeys(e.cause for e in errors))}
        self._base = float(expression.values(values))

    def bends(self, standard: float) -> bool:
        """Return whether the formula departs from its tangent by more than ``BENDS`` of the uncertainty.

        At the ends of every cause's error (sqrt 3 standard uncertainties), singly and in pairs.
        """
        if not self._errors:
            return False
        ends = _ends(len(self._columns))
        sizes = [math.sqrt(3) * e.standard for e in self._errors]
        straight = self._base + sum(
            self._slopes[e.variable] * e.coefficient * size * ends[:, self._columns[e.cause]]
            for e, size in zip(self._errors, sizes, strict=True)
        )
        apart = np.abs(self._at(sizes, ends) - straight)
        return not bool(np.all(apart <= BENDS * standard))

    def farthest(self) -> float:
        """Return how far the value may lie from that of the operating point; infinite where there is none."""
        count = len(self._columns)
        if not count:
            return 0.0
        drawn = np.random.default_rng(_SEED)
        inside = drawn.uniform(-1.0, 1.0, (INSIDE, count))
        corners = np.sign(drawn.uniform(-1.0, 1.0, (INSIDE, count)))
        if count <= CORNERS:
            corners = np.array(list(itertools.product((-1.0, 1.0), repeat=count)))
        found = self._at([e.half_width for e in self._errors], np.concatenate([corners, inside]))
        return float(np.max(np.abs(found - self._base))) if np.isfinite(found).all() else math.inf

    def drawn(self) -> float:
        """Return the standard uncertainty by Monte Carlo; infinite where a draw has no result."""
        drawn = np.random.default_rng(_SEED)
        shapes = {e.cause: e.shape for e in self._errors}
        columns = [
            drawn.standard_normal(DRAWS)
            if shapes[cause] is ErrorShape.NORMAL
            else drawn.uniform(-math.sqrt(3), math.sqrt(3), DRAWS)
            for cause in self._columns
        ]
        found = self._at([e.standard for e in self._errors], np.stack(columns, axis=1))
        return float(np.std(found)) if np.isfinite(found).all() else math.inf

    def _at(self, sizes: Sequence[float], points: Floats) -> Floats:
        """Return the values where each cause's error is so many times its size (rows of ``points``).

        All NaN where a pole lies among the points.
        """
        moved: dict[str, Floats] = {}
        for error, size in zip(self._errors, sizes, strict=True):
            by = error.coefficient * size * points[:, self._columns[error.cause]]
            moved[error.variable] = moved.get(error.variable, np.zeros(len(points))) + by
        top = moved.pop(TOP, 0.0)
        of = {name: self._values.get(name, 0.0) + by for name, by in moved.items()}
        sets = {**self._values, **of}
        if self._expression.meets_pole(sets):
            return np.full(len(points), np.nan)
        return np.asarray(np.broadcast_to(self._expression.values(sets), (len(points),)) + top, np.float64)


def _ends(count: int) -> Floats:
    """Return points with one or two coordinates at -1 or 1, the others at 0."""
    rows = []
    for k in range(count):
        for sign in (-1.0, 1.0):
            row = np.zeros(count)
            row[k] = sign
            rows.append(row)
            for other in range(k):
                for second in (-1.0, 1.0):
                    both = row.copy()
                    both[other] = second
                    rows.append(both)
    return np.array(rows)
