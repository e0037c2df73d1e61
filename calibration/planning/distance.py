"""Great-circle distances, and how long a drive takes. Pure."""

import math
from dataclasses import dataclass

EARTH_KM = 6371.0088  # mean radius R1 of the GRS 80 ellipsoid (IUGG; Moritz 2000)
UNKNOWN_DRIVE_MIN = 60  # where a position is not known; our choice


@dataclass(frozen=True)
class Place:
    """A position in degrees (WGS 84)."""

    latitude: float
    longitude: float


def great_circle_km(one: Place, other: Place, *, radius_km: float = EARTH_KM) -> float:
    """Return the distance of two places along the great circle.

    Parameters
    ----------
    one, other : Place [degrees]
    radius_km : float [km]
        Of the sphere.

    Returns
    -------
    float [km]

    Notes
    -----
    The haversine form, ``hav(d) = hav(dlat) + cos(lat1) cos(lat2) hav(dlon)``, which keeps its
    digits for places close together. A sphere is up to 0.6 % wrong against the ellipsoid, far
    less than a road is against the straight line.

    References
    ----------
    R. W. Sinnott, "Virtues of the Haversine", Sky and Telescope 68 (1984) 159 (from memory).
    """
    lat1, lat2 = math.radians(one.latitude), math.radians(other.latitude)
    half_lat = (lat2 - lat1) / 2.0
    half_lon = math.radians(other.longitude - one.longitude) / 2.0
    hav = math.sin(half_lat) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin(half_lon) ** 2
    return 2.0 * radius_km * math.asin(min(1.0, math.sqrt(hav)))


def drive_minutes(one: Place | None, other: Place | None, speed_kmh: float) -> int:
    """Return how long a drive takes, in whole minutes, rounded up.

    Where a position is not known: an hour.
    """
    if one is None or other is None:
        return UNKNOWN_DRIVE_MIN
    return math.ceil(60.0 * great_circle_km(one, other) / speed_kmh - 1e-9)
