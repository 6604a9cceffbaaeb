"""How far places are apart, by the great circle or by a table that somebody made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

EARTH_RADIUS_KM = 6371.0088  # IUGG mean radius R1 (from memory)
ROAD_FACTOR = 1.4  # roads and boat ways over the great circle; common practice, no source
SPEED_KM_H = 50.0  # on small roads; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Travel:
    """Ways between `n` places, the first of which is where the van starts.

    Attributes
    ----------
    places : tuple of str
    distance_km, travel_min : ndarray, shape (n, n)
        From row to column. [km, min]
    """

    places: tuple[str, ...]
    distance_km: np.ndarray
    travel_min: np.ndarray

    def __post_init__(self) -> None:
        shape = (len(self.places), len(self.places))
        for name in ("distance_km", "travel_min"):
            values = getattr(self, name)
            if values.shape != shape:
                raise ValueError(f"{name} must have the shape {shape} of its places; got {values.shape}")
            if not (np.isfinite(values) & (values >= 0)).all():
                row, column = np.argwhere(~(np.isfinite(values) & (values >= 0)))[0]
                raise ValueError(
                    f"{name} from {self.places[row]!r} to {self.places[column]!r} must be at least 0; "
                    f"got {values[row, column]!r}"
                )

    def position(self, place: str) -> int:
        """Row of a place; KeyError if it has none."""
        if place not in self.places:
            raise KeyError(f"no way is known to {place!r}; known: {', '.join(self.places)}")
        return self.places.index(place)


def great_circle_km(latitude: np.ndarray, longitude: np.ndarray) -> np.ndarray:
    """Distances on a sphere between all pairs.

    Parameters
    ----------
    latitude, longitude : array_like, shape (n,)
        [degrees]

    Returns
    -------
    ndarray, shape (n, n)
        [km]

    Notes
    -----
    Haversine form, exact for near places. The sphere is off by at most 0.6 % against the ellipsoid.
    """
    phi, lam = np.radians(np.asarray(latitude, dtype=float)), np.radians(np.asarray(longitude, dtype=float))
    half = (
        np.sin((phi[:, None] - phi) / 2) ** 2
        + np.cos(phi[:, None]) * np.cos(phi) * np.sin((lam[:, None] - lam) / 2) ** 2
    )
    return np.asarray(2.0 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.minimum(half, 1.0))))


def great_circle_travel(
    places: tuple[str, ...], latitude: np.ndarray, longitude: np.ndarray, *, road_factor: float = ROAD_FACTOR,
    speed_km_h: float = SPEED_KM_H,
) -> Travel:
    """Ways as the great circle times a factor, at one speed."""
    if not (road_factor >= 1 and speed_km_h > 0):
        raise ValueError(f"road_factor must be at least 1, speed_km_h above 0; got {road_factor!r}, {speed_km_h!r}")
    distance = great_circle_km(latitude, longitude) * road_factor
    return Travel(places=places, distance_km=distance, travel_min=distance / speed_km_h * 60.0)


def table_travel(places: tuple[str, ...], table: pd.DataFrame) -> Travel:
    """Ways from a table with `from`, `to`, `km`, `minutes`; a way given once holds in both directions.

    Raises
    ------
    ValueError
        If a pair is missing; the message names it.
    """
    if missing := {"from", "to", "km", "minutes"} - set(table.columns):
        raise ValueError(f"the travel table lacks the columns {sorted(missing)}; it needs from, to, km, minutes")
    size = len(places)
    known = table[table["from"].isin(places) & table["to"].isin(places)]
    row, column = (known[name].map({place: at for at, place in enumerate(places)}) for name in ("from", "to"))
    matrices = []
    for name in ("km", "minutes"):
        values = np.full((size, size), np.nan)
        values[column, row] = known[name]
        values[row, column] = known[name]  # the direction that was given counts before its reverse
        np.fill_diagonal(values, 0.0)
        matrices.append(values)
    open_pairs = np.argwhere(np.isnan(matrices[0]) | np.isnan(matrices[1]))
    if len(open_pairs):
        start, end = open_pairs[0]
        raise ValueError(f"the travel table has no way from {places[start]!r} to {places[end]!r}")
    return Travel(places=places, distance_km=matrices[0], travel_min=matrices[1])
