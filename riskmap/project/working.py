"""Which metric CRS to work in, and how much it stretches at each tree."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyproj
from pyproj.aoi import AreaOfInterest
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError

from riskmap.errors import InputError, Problem, shown
from riskmap.model import BoolArray, FloatArray, Settings
from riskmap.project.steps import flat_crs

__all__ = ["LARGEST_SCALE", "choose_crs", "middle_of", "stretch_at", "stretch_between"]

LEAST_SCALE, MOST_SCALE = 0.99, 1.01  # a working CRS named by the user
LARGEST_SCALE = 1.4  # of ours: with it, distances up to 1 km are still within 0.1 m after division
OWN_SCALE = 0.001  # the trees' own CRS is kept where it stretches less than this
EVEN = 1e-6  # by direction, of a CRS that is true to shape
WIDEST_UTM_DEG = 6.0  # from the zone's central meridian
MOST = 0.9  # share of trees that decides; the rest may be slips
LATTICE_M = 2000.0  # between nodes
AT_A_TIME = 16_384  # points, so that what lies between stays in the cache
MOST_NODES = 100_000
MOST_ASKED = 20_000  # trees, evenly out of all, that choose the CRS
FAR_DEG = 80.0  # in longitude from the middle: on no map with the rest
POLAR_NORTH, POLAR_SOUTH = 84.0, -80.0  # where UTM ends and the polar grids begin


def middle_of(lon: FloatArray, lat: FloatArray) -> tuple[float, float]:
    """Return the median longitude (round the 180th meridian too) and latitude; nan-free input.

    Examples
    --------
    >>> middle_of(np.array([179.5, -179.5, 179.9]), np.array([1.0, 2.0, 3.0]))
    (179.9, 2.0)
    """
    turn = np.radians(lon)
    towards = np.degrees(np.arctan2(np.sin(turn).mean(), np.cos(turn).mean()))
    middle = towards + np.median((lon - towards + 180.0) % 360.0 - 180.0)
    return round(float((middle + 180.0) % 360.0 - 180.0), 9), float(np.median(lat))


def stretch_at(crs: pyproj.CRS, lon: FloatArray, lat: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return point scale (planar / ground) and its largest ratio by direction, nan where there is none."""
    if not len(lon):
        return np.empty(0), np.empty(0)
    factors = pyproj.Proj(crs).get_factors(lon, lat, errcheck=False)
    most, least = np.asarray(factors.tissot_semimajor), np.asarray(factors.tissot_semiminor)
    with np.errstate(invalid="ignore", divide="ignore"):
        scale, uneven = np.sqrt(most * least), most / least
    lost = ~(np.isfinite(scale) & np.isfinite(uneven) & (scale > 0))
    return np.where(lost, np.nan, scale), np.where(lost, np.nan, uneven)


def stretch_between(crs: pyproj.CRS, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    """Return point scale, drawn straight between the nodes of a fixed lattice; nan where there is none.

    The scale bends so little that 2 km between nodes leaves it right to 3e-8 of itself, at a tenth of the time; and
    since the nodes stand still, a tree has the same scale whatever other trees come with it.
    """
    if not len(x_m):
        return np.empty(0)
    west_most, east_most, south_most, north_most = (
        np.floor(edge / LATTICE_M) for edge in (x_m.min(), x_m.max(), y_m.min(), y_m.max())
    )
    columns, rows = int(east_most - west_most) + 2, int(north_most - south_most) + 2
    if columns * rows > max(MOST_NODES, 4 * len(x_m)):
        return _stretch_far_and_wide(crs, x_m, y_m)
    node_x, node_y = np.meshgrid(west_most + np.arange(columns), south_most + np.arange(rows))
    at_node = _stretch_at_nodes(crs, node_x.ravel(), node_y.ravel())
    scale = np.empty(len(x_m))
    for start in range(0, len(x_m), AT_A_TIME):
        part = slice(start, start + AT_A_TIME)
        column, row = np.floor(x_m[part] / LATTICE_M), np.floor(y_m[part] / LATTICE_M)
        node = ((row - south_most) * columns + (column - west_most)).astype(np.int64)
        corners = [at_node[node], at_node[node + 1], at_node[node + columns], at_node[node + columns + 1]]
        scale[part] = _between(corners, x_m[part] / LATTICE_M - column, y_m[part] / LATTICE_M - row)
    return scale


def _stretch_far_and_wide(crs: pyproj.CRS, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    """Point scale from the nodes that are wanted alone."""
    column, row = np.floor(x_m / LATTICE_M), np.floor(y_m / LATTICE_M)
    wanted = np.concatenate([np.column_stack([column + i, row + j]) for j in (0, 1) for i in (0, 1)])
    nodes, place = np.unique(wanted, axis=0, return_inverse=True)
    at_node = _stretch_at_nodes(crs, nodes[:, 0], nodes[:, 1])
    corners = [at_node[corner] for corner in place.reshape(4, -1)]
    return _between(corners, x_m / LATTICE_M - column, y_m / LATTICE_M - row)


def _stretch_at_nodes(crs: pyproj.CRS, column: FloatArray, row: FloatArray) -> FloatArray:
    """Point scale at nodes of the lattice."""
    lon, lat = pyproj.Proj(crs)(column * LATTICE_M, row * LATTICE_M, inverse=True)
    return stretch_at(crs, np.asarray(lon), np.asarray(lat))[0]


def _between(corners: Sequence[FloatArray], east: FloatArray, north: FloatArray) -> FloatArray:
    """Point scale between four nodes: south-west, south-east, north-west, north-east."""
    south = corners[0] * (1 - east) + corners[1] * east
    scale: FloatArray = south * (1 - north) + (corners[2] * (1 - east) + corners[3] * east) * north
    return scale


def choose_crs(settings: Settings, own: pyproj.CRS, lon: FloatArray, lat: FloatArray) -> pyproj.CRS:
    """Choose the working CRS from the trees that count (finite lon, lat), or check the one the user named.

    Raises
    ------
    InputError
        `settings.crs` is no CRS in metres that fits the trees.
    """
    some = np.linspace(0, len(lon) - 1, min(len(lon), MOST_ASKED)).astype(np.int64)
    lon, lat = lon[some], lat[some]
    if settings.crs:
        return _named_crs(settings, lon, lat)
    own = flat_crs(own)
    if not len(lon):
        return pyproj.CRS.from_epsg(32631)
    if _in_metres(own) and _true_to_shape(own, lon, lat).mean() > 0.99:
        return own
    middle_lon, middle_lat = middle_of(lon, lat)
    if middle_lat > POLAR_NORTH or middle_lat < POLAR_SOUTH:
        return pyproj.CRS.from_epsg(32661 if middle_lat > 0 else 32761)
    zone = min(60, int((middle_lon + 180.0) // 6.0) + 1)
    off_centre = np.abs((lon - (zone * 6 - 183) + 180.0) % 360.0 - 180.0)
    if (off_centre <= WIDEST_UTM_DEG).mean() >= MOST * (off_centre <= FAR_DEG).mean():
        return _utm(own, zone, middle_lon, middle_lat)
    return _wide_crs(own, lon, lat)


def _utm(own: pyproj.CRS, zone: int, lon: float, lat: float) -> pyproj.CRS:
    """UTM zone on the trees' own datum where that has one, else on WGS 84."""
    geodetic = own.geodetic_crs
    datum = "WGS 84" if geodetic is None else geodetic.name
    if datum != "WGS 84":
        here = AreaOfInterest(lon, lat, lon, lat)
        for info in query_utm_crs_info(datum_name=datum, area_of_interest=here, contains=True):
            if info.name.endswith(f"zone {zone}{'N' if lat >= 0 else 'S'}"):
                return pyproj.CRS.from_authority(info.auth_name, info.code)
    return pyproj.CRS.from_epsg((32600 if lat >= 0 else 32700) + zone)


def _wide_crs(own: pyproj.CRS, lon: FloatArray, lat: FloatArray) -> pyproj.CRS:
    """Transverse Mercator about the middle of a site wider than a UTM zone.

    It is true to shape, so planar distance / point scale errs only by how fast the scale changes along the way:
    d^2 x / (2 R^2) at x from the central meridian, 12 mm over 1 km at 1,000 km. One map serves a country, and no
    zone line stands between a tree and what lies near it.
    """
    middle, _ = middle_of(lon, lat)
    off = (lon - middle + 180.0) % 360.0 - 180.0
    off = off[np.abs(off) <= FAR_DEG]
    centre = round((middle + float(off.min() + off.max()) / 2 + 180.0) % 360.0 - 180.0)
    return ProjectedCRS(
        TransverseMercatorConversion(longitude_natural_origin=float(centre), scale_factor_natural_origin=1.0),
        name=f"Transverse Mercator about {centre} degrees",
        geodetic_crs=own.geodetic_crs,
    )


def _in_metres(crs: pyproj.CRS) -> bool:
    """Whether a CRS is a plane one with both axes in metres."""
    return bool(crs.is_projected) and all(abs(axis.unit_conversion_factor - 1.0) < 1e-12 for axis in crs.axis_info[:2])


def _true_to_shape(crs: pyproj.CRS, lon: FloatArray, lat: FloatArray) -> BoolArray:
    """Whether a CRS stretches little, and as much one way as the other, tree by tree."""
    scale, uneven = stretch_at(crs, lon, lat)
    with np.errstate(invalid="ignore"):
        fits: BoolArray = (np.abs(scale - 1.0) <= OWN_SCALE) & (uneven - 1.0 <= EVEN)
    return fits


def _named_crs(settings: Settings, lon: FloatArray, lat: FloatArray) -> pyproj.CRS:
    """The user's own working CRS, if it will do."""
    remedy = "leave crs out (the UTM zone is found), or name a CRS in metres made for this place"
    file = settings.file.name
    try:
        crs = flat_crs(pyproj.CRS.from_user_input(settings.crs))
    except CRSError as error:
        what = f"'{shown(settings.crs)}' is no coordinate reference system we know"
        raise InputError([Problem(file=file, what=what, remedy=remedy, key="crs")]) from error
    if not _in_metres(crs):
        what = f"'{shown(settings.crs)}' ({shown(crs.name)}) is not in metres"
        raise InputError([Problem(file=file, what=what, remedy=remedy, key="crs")])
    scale, uneven = stretch_at(crs, lon, lat)
    bad = ~((scale >= LEAST_SCALE) & (scale <= MOST_SCALE))
    if len(scale) and bad.mean() > 0.01:
        worst = scale[bad][0]
        found = f"is {worst:.4f}" if np.isfinite(worst) else "does not exist"
        what = f"'{shown(settings.crs)}' does not fit: its point scale {found} at the trees, outside 0.99 to 1.01"
        raise InputError([Problem(file=file, what=what, remedy=remedy, key="crs")])
    reach_m = max(200.0, settings.measure.report_within_m)
    if len(scale) and (uneven[~bad] - 1.0).max(initial=0.0) * reach_m > 0.1:
        what = (
            f"'{shown(settings.crs)}' ({shown(crs.name)}) stretches more one way than the other at the trees, "
            f"by {(uneven[~bad].max() - 1.0):.2%}, so distances would be off by more than 0.1 m"
        )
        raise InputError([Problem(file=file, what=what, remedy=remedy, key="crs")])
    return crs
