"""Places of the working CRS back in degrees, for pages and field units."""

from __future__ import annotations

import pyproj

from riskmap.model import FloatArray, Site

__all__ = ["to_degrees"]


def to_degrees(site: Site, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return longitude and latitude on WGS 84 of places in the site's working CRS.

    Parameters
    ----------
    site : Site
        Gives the working CRS.
    x_m, y_m : ndarray, shape (place,)
        Easting and northing. [m]

    Returns
    -------
    lon, lat : ndarray, shape (place,)
        inf where the CRS gives no answer. [degrees]
    """
    lon, lat = pyproj.Transformer.from_crs(site.crs, "EPSG:4326", always_xy=True).transform(x_m, y_m)
    return lon, lat
