"""Sunrise and sunset, which part the day from the night, and what the sun could dry."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.axis import DAY_S

SOLAR_CONSTANT = 0.0820  # MJ m-2 min-1


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
    declination = _declination(day)
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


def extraterrestrial(instant_s: NDArray[np.int64], latitude: float) -> NDArray[np.float64]:
    """Return the radiation above the air on the day of each instant, [MJ m-2 d-1].

    Parameters
    ----------
    instant_s : (n,)
        UTC seconds.
    latitude : float, [degree]

    References
    ----------
    FAO Irrigation and Drainage Paper 56, equations 21 and 23 to 25.
    """
    since_new_year = instant_s.astype("datetime64[s]") - _new_year(instant_s)
    day = 1 + since_new_year // np.timedelta64(1, "D")
    nearness = 1 + 0.033 * np.cos(2 * np.pi / 365 * day)
    declination = _declination(day)
    place = np.radians(latitude)
    angle = np.arccos(np.clip(-np.tan(place) * np.tan(declination), -1.0, 1.0))
    height = angle * np.sin(place) * np.sin(declination)
    height += np.cos(place) * np.cos(declination) * np.sin(angle)
    radiation: NDArray[np.float64] = 24 * 60 / np.pi * SOLAR_CONSTANT * nearness * height
    return np.maximum(radiation, 0.0)


def _declination(day: NDArray) -> NDArray[np.float64]:
    """Return the sun's declination [rad] by the day of the year: FAO-56, equation 24."""
    declination: NDArray[np.float64] = 0.409 * np.sin(2 * np.pi / 365 * day - 1.39)
    return declination


def _new_year(instant_s: NDArray[np.int64]) -> NDArray[np.datetime64]:
    return instant_s.astype("datetime64[s]").astype("datetime64[Y]").astype("datetime64[s]")
