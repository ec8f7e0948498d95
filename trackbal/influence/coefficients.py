"""Influence coefficients with their covariance: what one unit of an adjuster on blade 1 does.

Vibration: ``V = V0 + sum_a alpha[a] sum_b x[a, b] exp(-i h psi_b)``.
Heights: ``H = H0 + sum_a tau[a] (x[a, b] - mean_b x[a])``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from os import PathLike
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from trackbal.base.contracts import check_finite, check_not_negative, check_shape
from trackbal.base.covariance import complex_cov, real_map
from trackbal.base.phasor import blade_harmonic
from trackbal.base.summary import Summarised
from trackbal.influence.binding import Blind
from trackbal.influence.departures import Departures
from trackbal.influence.frames import influence_frame
from trackbal.influence.influence_reader import Contents, parse_contents, read_contents
from trackbal.influence.influence_writer import write_influence
from trackbal.runs.reading_noise import noise_floor
from trackbal.runs.rotor import Rotor
from trackbal.runs.run import Complexes, Reals

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, repr=False)
class Influence(Summarised, Contents):
    """Influence coefficients of a rotor type.

    Parameters
    ----------
    rotor_name : str
        The rotor the file says it is for.
    alpha : ndarray of complex, shape (A, R, S)
        Sensor unit per adjuster unit, lag convention.
    tau : ndarray, shape (A, R)
        Height unit per adjuster unit.
    vibration_cov : ndarray, shape (R, S, 2A, 2A)
        Covariance of (re, im) of every adjuster in turn, for the NEXT aircraft of the
        type: the error of the mean plus the spread between aircraft.
    height_cov : ndarray, shape (R, A, A)
        The same of tau.
    vibration_noise : ndarray, shape (R, S)
        Standard deviation of the real and of the imaginary part of one reading.
    height_noise : ndarray, shape (R,)
        Standard deviation of one tip's height.
    unknown_vibration, unknown_height : ndarray of bool, shape (A, R, S) and (A, R)
        What past runs could not identify; its coefficient is held as 0 and must not be
        advised on where that reading was taken.
    mean_vibration_cov, mean_height_cov : ndarray or None
        The error of the mean alone, shapes as above; None if not known.
    departures : Departures or None
        How an aircraft's departures from its type go together, and its blade differences; None if not known.
    source : dict
        {"jobs", "runs", "dates", "fit_quality"}.
    made_for : dict or None
        What the coefficients are in and of (runs/meaning.py); None if that is not known.
    differs : tuple of str
        In what that differs from the rotor they were read for, without making another thing of them.
    blind : Blind or None
        Readings of which nothing at all is said; None: of none.

    Raises
    ------
    ValueError
        If shapes do not go together, a number is not finite, or a noise is below 0.
    """

    rotor_name: str
    alpha: Complexes
    tau: Reals
    vibration_cov: Reals
    height_cov: Reals
    vibration_noise: Reals
    height_noise: Reals
    unknown_vibration: NDArray[np.bool_]
    unknown_height: NDArray[np.bool_]
    mean_vibration_cov: Reals | None = None
    mean_height_cov: Reals | None = None
    departures: Departures | None = None
    source: dict[str, Any] = field(default_factory=dict)
    made_for: dict[str, Any] | None = None
    differs: tuple[str, ...] = ()
    blind: Blind | None = None

    def __post_init__(self) -> None:
        """Check shapes and numbers."""
        adjusters, regimes, sensors = self.alpha.shape
        cell, tips = (regimes, sensors, 2 * adjusters, 2 * adjusters), (regimes, adjusters, adjusters)
        shapes: dict[str, tuple[int, ...]] = {
            "tau": (adjusters, regimes),
            "vibration_cov": cell,
            "height_cov": tips,
            "vibration_noise": (regimes, sensors),
            "height_noise": (regimes,),
            "mean_vibration_cov": cell,
            "mean_height_cov": tips,
        }
        check_finite("alpha", self.alpha)
        for name, shape in shapes.items():
            check_shape(name, getattr(self, name), shape)
            check_finite(name, getattr(self, name))
        check_shape("unknown_vibration", self.unknown_vibration, self.alpha.shape)
        check_shape("unknown_height", self.unknown_height, self.tau.shape)
        check_not_negative("vibration_noise", self.vibration_noise)
        check_not_negative("height_noise", self.height_noise)

    @classmethod
    def load(cls, file: str | PathLike[str], rotor: Rotor) -> Influence:
        """Read influence.json for a rotor.

        Raises
        ------
        InputError
            Naming the file and the key, what was found and what was expected; also if it does not fit the rotor.
        """
        return cls(**vars(read_contents(file, rotor)))

    @classmethod
    def parse(cls, text: str, source: str | PathLike[str], rotor: Rotor) -> Influence:
        """Read the text of an influence.json; `source` names it in messages. Raises InputError as `load`."""
        return cls(**vars(parse_contents(text, source, rotor)))

    def save(self, file: str | PathLike[str], rotor: Rotor, *, force: bool = False) -> None:
        """Write influence.json whole or not at all.

        Raises
        ------
        FileExists
            If the file exists and `force` is false.
        InputError
            If it cannot be written.
        """
        write_influence(file, rotor, self, force=force)

    def to_frame(self, rotor: Rotor) -> pd.DataFrame:
        """Return the coefficients as a table by adjuster, regime and reading; see `influence_frame`."""
        return influence_frame(rotor, self)

    def summary(self) -> dict[str, object]:
        """Return rotor, sizes, and what it rests on."""
        adjusters, regimes, sensors = self.alpha.shape
        unknown = int(self.unknown_vibration.sum() + self.unknown_height.sum())
        return {
            "rotor": self.rotor_name,
            "coefficients": f"{adjusters} adjusters, {regimes} regimes, {sensors} sensors",
            "not known": unknown,
            "jobs": self.source.get("jobs"),
            "runs": self.source.get("runs"),
        }

    @property
    def aircraft(self) -> float | None:
        """Aircraft that the spread between aircraft rests on (jobs, where they are not told apart); None: not said."""
        of_history = self.source.get("aircraft", self.source.get("jobs", 0))
        counts = [of_history, self.source.get("prior_jobs", 0)]
        said = sum(float(c) for c in counts if isinstance(c, int | float) and not isinstance(c, bool) and 0 < c < 1e9)
        return said or None

    def vibration_change(self, rotor: Rotor, change: Reals) -> Complexes:
        """Return what a change, shape (..., A, B) in adjuster units, does to vibration, shape (..., R, S)."""
        z = blade_harmonic(change, rotor.azimuth_deg, rotor.harmonics)
        return np.einsum("ars,...as->...rs", self.alpha, z)

    def height_change(self, change: Reals) -> Reals:
        """Return what a change, shape (..., A, B), does to the tip heights, shape (..., R, B)."""
        u = change - change.mean(axis=-1, keepdims=True)
        return np.einsum("ar,...ab->...rb", self.tau, u)

    def without_covariance(self) -> Influence:
        """Return the same coefficients as if they were known exactly, of this aircraft."""
        return replace(
            self,
            vibration_cov=np.zeros_like(self.vibration_cov),
            height_cov=np.zeros_like(self.height_cov),
            mean_vibration_cov=None,
            mean_height_cov=None,
            departures=None,
        )

    def with_noise(self, rotor: Rotor) -> Influence:
        """Return the same, the noise of which it says nothing being what is assumed where no runs tell it."""
        floor = noise_floor(rotor)
        return replace(
            self,
            vibration_noise=np.where(self.vibration_noise > 0.0, self.vibration_noise, floor.vibration),
            height_noise=np.where(self.height_noise > 0.0, self.height_noise, floor.height),
        )

    def hermitian_cov(self) -> Complexes:
        """Return ``E[delta_a conj(delta_b)]`` of the vibration coefficients, shape (R, S, A, A)."""
        return complex_cov(self.vibration_cov)

    def vibration_change_cov(self, rotor: Rotor, change: Reals) -> Reals:
        """Return the covariance of (re, im) of what a change, shape (..., A, B), does, shape (..., R, S, 2, 2).

        That of the coefficients alone: no reading noise is in it.
        """
        z = blade_harmonic(change, rotor.azimuth_deg, rotor.harmonics)  # (..., A, S)
        lever = real_map(z.swapaxes(-1, -2)[..., None, :])  # (..., S, 2, 2A)
        return np.einsum("...sia,rsac,...sjc->...rsij", lever, self.vibration_cov, lever, optimize=True)

    def height_change_cov(self, change: Reals) -> Reals:
        """Return the same for the tip heights about their mean, shape (..., R, B, B)."""
        u = change - change.mean(axis=-1, keepdims=True)
        return np.einsum("...ab,rac,...cd->...rbd", u, self.height_cov, u, optimize=True)
