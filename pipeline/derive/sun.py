"""Sunrise and sunset, which part the day in which roots drink from the night."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

DAY_S = 86_400


def sun_up(
    noon_s: NDArray[np.int64], latitude: float, longitude: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return sunrise and sunset of days [UTC seconds].

    Parameters
    ----------
    noon_s : (day,)
        An instant near the middle of each day, UTC seconds.
    latitude, longitude : float, [degree]

    Returns
    -------
    sunrise, sunset : (day,)
        NaN where the sun does not rise or does not set. Good to some minutes; refraction and
        the size of the disc are left out.

    References
    ----------
    FAO Irrigation and Drainage Paper 56, equations 24, 25, 32 and 33: declination, sunset hour
    angle, seasonal correction of solar time.
    """
    day = 1 + (noon_s.astype("datetime64[s]") - _new_year(noon_s)) / np.timedelta64(1, "D")
    declination = 0.409 * np.sin(2 * np.pi / 365 * day - 1.39)
    cosine = -np.tan(np.radians(latitude)) * np.tan(declination)
    with np.errstate(invalid="ignore"):
        angle = np.arccos(np.where(np.abs(cosine) < 1, cosine, np.nan))
    turn = 2 * np.pi * (day - 81) / 364
    correction_h = 0.1645 * np.sin(2 * turn) - 0.1255 * np.cos(turn) - 0.025 * np.sin(turn)
    midnight = noon_s // DAY_S * DAY_S
    # Solar noon of the date in UTC, moved to the day that the instant lies in.
    solar_noon = midnight + 43_200 - longitude * 240 - correction_h * 3600
    solar_noon = solar_noon + np.round((noon_s - solar_noon) / DAY_S) * DAY_S
    half = angle / (2 * np.pi) * DAY_S
    return solar_noon - half, solar_noon + half


def _new_year(instant_s: NDArray[np.int64]) -> NDArray[np.datetime64]:
    return instant_s.astype("datetime64[s]").astype("datetime64[Y]").astype("datetime64[s]")
