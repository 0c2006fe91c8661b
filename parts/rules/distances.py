"""How far stores are from each other, and how long parts take from one to the other."""

from __future__ import annotations

from math import asin, ceil, cos, radians, sin, sqrt

EARTH_RADIUS_KM = 6371.0088
"""Mean radius R1 of the Earth. Source: IUGG, Geodetic Reference System 1980 (Moritz, 2000)."""

KM_A_DAY = 400
DAYS_WHEN_UNKNOWN = 4


def great_circle_km(
    latitude_a_deg: float, longitude_a_deg: float, latitude_b_deg: float, longitude_b_deg: float
) -> float:
    """The distance along the surface of a sphere, in kilometres, by the haversine formula.

    Latitudes -90 to 90, longitudes -180 to 180, in degrees. The Earth is flattened by 0.3 %, so
    this may be off by as much. Source: Sinnott, "Virtues of the haversine", Sky and Telescope
    68 (1984), p. 159, from memory.
    """
    a, b = radians(latitude_a_deg), radians(latitude_b_deg)
    across = radians(longitude_b_deg - longitude_a_deg)
    h = sin((b - a) / 2) ** 2 + cos(a) * cos(b) * sin(across / 2) ** 2
    return 2 * EARTH_RADIUS_KM * asin(min(1.0, sqrt(h)))


def transfer_days(distance_km: float | None) -> int:
    """Days from asking to arriving: one to pack, and one for each 400 km begun.

    None: the distance is not known; then as for 800 to 1,200 km. Source: house rule.
    """
    if distance_km is None:
        return DAYS_WHEN_UNKNOWN
    return 1 + max(1, ceil(distance_km / KM_A_DAY))
