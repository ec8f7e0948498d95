"""Bounds beyond which no plan can be better than none, for ranges far wider than any change is of use.

A plan that costs no more than none lies in the ellipsoid ``x'Gx + 2g'x <= 0``, which bounds every
combination of entries that the cost sees. What it does not see is the same change on all entries of a
group: of two plans that differ by it alone the one with an entry at 0 has fewer entries and costs the same. So
differences within a group bound its entries. Without this, a range of a million steps has so many plans of nearly
equal cost that the search does not end in reasonable time.
"""

from __future__ import annotations

import numpy as np

from trackbal.search.box_qp import Ints, Reals

WIDE = 1_000  # steps of a range from which it is looked at; no ordinary adjuster has as many
_SEEN = 1e-9  # of the largest: what is below is rounding


def useful_bounds(quad: Reals, lin: Reals, low: Ints, high: Ints, group: Ints, tolerance: float) -> tuple[Ints, Ints]:
    """Return low and high, shape (n,), no farther from 0 than any plan of use goes.

    Parameters
    ----------
    quad, lin, low, high, group
        As in `search`; every entry can be moved.
    tolerance : float
        Costs that differ by no more are equal.
    """
    if not lin.size or int((high - low).max()) <= WIDE:
        return low, high
    scale, slope = float(np.diag(quad).max()), float(np.abs(lin).max())
    whole, unseen = quad.copy(), []
    for name in np.unique(group):
        members = np.flatnonzero(group == name)
        together = np.abs(quad[:, members].sum(axis=1)).max()
        if together <= _SEEN * scale and abs(lin[members].sum()) <= _SEEN * slope:
            whole[np.ix_(members, members)] += scale / members.size
            unseen.append(members)
    values = np.linalg.eigvalsh(whole)
    if values[0] <= _SEEN * values[-1]:
        return low, high  # other directions that the cost does not see: nothing bounds them
    inverse = np.linalg.inv(whole)
    centre = -inverse @ lin
    size = np.sqrt(max(float(lin @ inverse @ lin), 0.0) + tolerance)
    variance = np.diag(inverse)
    reach = np.abs(centre) + size * np.sqrt(variance)
    for members in unseen:
        apart = np.abs(np.subtract.outer(centre[members], centre[members]))
        spread = np.add.outer(variance[members], variance[members]) - 2.0 * inverse[np.ix_(members, members)]
        reach[members] = (apart + size * np.sqrt(np.maximum(spread, 0.0))).max()
    most = np.minimum(np.floor(1.000001 * reach) + 1.0, 1e15).astype(int)
    return np.maximum(low, -most), np.minimum(high, most)
