"""What a spread between aircraft must be widened by because it was found from few jobs.

The next aircraft departs by a normal law of estimated variance, that is by Student's: with
nu degrees of freedom the region that holds 90 % is larger than the normal law's. The factor
on the spread makes it so:

    one number (heights):        t(0.95, nu)^2 / 2.706
    two numbers (re, im):        (nu / 2) (0.1^(-2/nu) - 1) / ln 10

(quantiles of F(1, nu) and F(2, nu) over those of chi-square; Hald, Statistical Theory with
Engineering Applications, 1952, from memory). Departures of one aircraft go together in all
its readings and in both parts of them, so nu is the number of jobs less one.
"""

from __future__ import annotations

import numpy as np

from trackbal.runs.run import Counts, Reals

LEAST_JOBS_COUNTED = 2  # with fewer nothing is known of a spread, and none is given


def widening(jobs: Counts, numbers: int) -> Reals:
    """Return the factor on the spread's covariance.

    Parameters
    ----------
    jobs : ndarray of int
        Jobs that the spread rests on.
    numbers : {1, 2}
        2 for complex coefficients.

    Returns
    -------
    ndarray
        At least 1; of the shape of `jobs`.
    """
    nu = np.maximum(jobs, LEAST_JOBS_COUNTED) - 1.0
    if numbers == 2:
        return np.asarray(0.5 * nu * np.expm1(2.0 / nu * np.log(10.0)) / np.log(10.0))
    from scipy.special import stdtrit

    return np.asarray(stdtrit(nu, 0.95) ** 2 / stdtrit(np.inf, 0.95) ** 2)
