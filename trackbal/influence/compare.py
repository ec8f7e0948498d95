"""Two influence files side by side: what changed, and is it more than chance.

The difference of a coefficient is set against the errors of both means (``mean_cov``; where
a file gives only the whole ``cov``, that, which is cautious), as a chi-square of two numbers
(vibration) or one (heights). Chances are also given adjusted for the number of coefficients,
by Holm's method (1979, Scand. J. Stat. 6, from memory). Files that rest partly on the same
jobs differ less than their errors say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from trackbal.base.covariance import squared_distance
from trackbal.influence.coefficients import Influence
from trackbal.runs.rotor import HEIGHTS, Rotor
from trackbal.runs.run import Reals

FIRM = 0.01  # adjusted chance below which a change is called more than chance


@dataclass(frozen=True)
class Change:
    """One coefficient in both files.

    Parameters
    ----------
    adjuster, regime, sensor : int
        Sensor HEIGHTS: the height coefficient.
    before, after : complex
        The height coefficients are real.
    error : float
        Standard error of the difference (of both parts together for vibration); nan if a
        file gives no error.
    p, adjusted : float
        Chance of a difference this large, alone and among all of them; nan without an error.
    known : tuple of bool
        Whether the first, and the second, file knows it.
    """

    adjuster: int
    regime: int
    sensor: int
    before: complex
    after: complex
    error: float
    p: float
    adjusted: float
    known: tuple[bool, bool]

    @property
    def firm(self) -> bool:
        """Whether it changed by more than chance, or only one file knows it."""
        return self.known[0] != self.known[1] or bool(self.adjusted < FIRM)


def compare(rotor: Rotor, first: Influence, second: Influence) -> tuple[Change, ...]:
    """Return every coefficient that either file knows, the firmest change first."""
    found = list(_changes(rotor, first, second))
    p = np.array([change.p for change in found])
    for place, adjusted in enumerate(holm(p)):
        found[place] = _adjusted(found[place], float(adjusted))
    return tuple(sorted(found, key=lambda c: (not c.firm, np.nan_to_num(c.p, nan=2.0))))


def contradicted(rotor: Rotor, first: Influence, second: Influence) -> str:
    """Return the adjusters whose coefficients differ by more than chance where both files know them; "" for none."""
    firm = {c.adjuster for c in compare(rotor, first, second) if all(c.known) and c.firm}
    return ", ".join(rotor.adjusters[a].name for a in sorted(firm))


def same_coefficients(first: Influence, second: Influence) -> bool:
    """Return whether two files say the very same, as a copy does."""
    return all(
        np.array_equal(getattr(first, name), getattr(second, name))
        for name in ("alpha", "tau", "vibration_cov", "height_cov")
    )


def _adjusted(change: Change, adjusted: float) -> Change:
    return replace(change, adjusted=adjusted)


def holm(p: Reals) -> Reals:
    """Return chances adjusted for their number (Holm); nan stays nan."""
    result = np.full(len(p), np.nan)
    finite = np.flatnonzero(np.isfinite(p))
    order = finite[np.argsort(p[finite])]
    factors = len(order) - np.arange(len(order))
    result[order] = np.minimum(np.maximum.accumulate(p[order] * factors), 1.0)
    return result


def _changes(rotor: Rotor, first: Influence, second: Influence) -> Iterator[Change]:
    from scipy.special import chdtrc

    for a in range(len(rotor.adjusters)):
        part = slice(2 * a, 2 * a + 2)
        for r, regime in enumerate(rotor.regimes):
            for s in range(len(rotor.sensors)):
                known = (not first.unknown_vibration[a, r, s], not second.unknown_vibration[a, r, s])
                if not any(known):
                    continue
                before, after = complex(first.alpha[a, r, s]), complex(second.alpha[a, r, s])
                covs = [_error_cov(f.vibration_cov, f.mean_vibration_cov)[r, s, part, part] for f in (first, second)]
                cov = covs[0] + covs[1]
                difference = np.array([(after - before).real, (after - before).imag])
                error, p = float("nan"), float("nan")
                if all(known) and np.isfinite(squared := squared_distance(difference, cov)):
                    error = float(np.sqrt(np.trace(cov)))
                    p = float(chdtrc(2, squared))
                yield Change(a, r, s, before, after, error, p, float("nan"), known)
            known = (not first.unknown_height[a, r], not second.unknown_height[a, r])
            if regime.heights and any(known):
                rise = float(first.tau[a, r]), float(second.tau[a, r])
                var = sum(float(_error_cov(f.height_cov, f.mean_height_cov)[r, a, a]) for f in (first, second))
                judged = all(known) and var > 0
                error = float(np.sqrt(var)) if judged else float("nan")
                p = float(chdtrc(1, (rise[1] - rise[0]) ** 2 / var)) if judged else float("nan")
                yield Change(a, r, HEIGHTS, complex(rise[0]), complex(rise[1]), error, p, float("nan"), known)


def _error_cov(cov: Reals, mean_cov: Reals | None) -> Reals:
    return cov if mean_cov is None else mean_cov
