"""Shut what a user's surroundings could open behind our back: remote drivers, plug-ins, grids, cloud keys.

Imports nothing heavy: it must run before the first import of pyproj, pyogrio or rasterio.
"""

from __future__ import annotations

import os
from collections.abc import MutableMapping
from typing import Final

__all__ = ["CLEARED_PREFIXES", "KEPT_DRIVERS", "SKIPPED_RASTER", "SKIPPED_VECTOR", "close_doors"]

CLEARED_PREFIXES: Final = (
    "AWS_", "AZURE_", "CPL_", "GDAL_", "GEOTIFF_", "GML_", "GOOGLE_", "GPX_", "GS_", "GTIFF_", "KML_", "LIBKML_",
    "OGR_", "OPENFILEGDB_", "OSM_", "OSS_", "OSR_", "PROJ_", "SHAPE_", "SPATIALITE_", "SQLITE_", "SWIFT_", "TIFF_",
    "VRT_", "VSI_", "VSICRYPT_", "VSIS3_", "VSIAZ_", "VSIGS_", "WEBHDFS_",
)  # fmt: skip
KEPT_DRIVERS: Final = frozenset(
    {"ESRI Shapefile", "FlatGeobuf", "GML", "GPKG", "GPX", "GTiff", "GeoJSON", "LIBKML", "MEM", "Memory"}
    | {"OSM", "OpenFileGDB", "TopoJSON"}
)
SKIPPED_VECTOR: Final = (
    "ADBC", "AIVector", "AVCBin", "AVCE00", "AmigoCloud", "Arrow", "CAD", "CSV", "CSW", "Carto", "DGN", "DXF", "EDIGEO",
    "EEDA", "ESRIJSON", "Elasticsearch", "GDALG", "GMLAS", "GPSBabel", "GTFS", "GeoJSONSeq", "GeoRSS", "HANA", "HTTP",
    "Idrisi", "JML", "JSONFG", "KML", "LVBAG", "MBTiles", "MSSQLSpatial", "MVT", "MapInfo File", "MapML",
    "MiraMonVector", "MongoDBv3", "MySQL", "NAS", "NGW", "OAPIF", "ODBC", "ODS", "OGCAPI", "OGR_GMT", "OGR_PDS",
    "OGR_VRT", "PCIDSK", "PDF", "PDS4", "PGDUMP", "PGeo", "PLSCENES", "PMTiles", "PostgreSQL", "S57", "SOSI", "SQLite",
    "SXF", "Selafin", "TileDB", "VDV", "VFK", "VICAR", "WAsP", "WFS", "XLS", "XLSX",
)  # fmt: skip
SKIPPED_RASTER: Final = (
    "DAAS", "DERIVED", "ECRGTOC", "EEDAI", "GNMDatabase", "GNMFile", "GTI", "KMLSUPEROVERLAY", "PLMOSAIC", "RPFTOC",
    "Rasterlite", "STACIT", "STACTA", "VRT", "WCS", "WMS", "WMTS", "Zarr",
)  # fmt: skip


def close_doors(environ: MutableMapping[str, str] | None = None) -> None:
    """Clear variables that steer GDAL, PROJ and cloud access, and switch off all that we never open.

    Call it before the first import of pyproj, pyogrio or rasterio; calling it again changes nothing.

    Examples
    --------
    >>> surroundings = {"PROJ_NETWORK": "ON", "AWS_PROFILE": "x", "HOME": "/home/x"}
    >>> close_doors(surroundings)
    >>> surroundings["PROJ_NETWORK"], "AWS_PROFILE" in surroundings, surroundings["HOME"]
    ('OFF', False, '/home/x')
    """
    variables: MutableMapping[str, str] = os.environ if environ is None else environ
    for name in [name for name in variables if name.upper().startswith(CLEARED_PREFIXES)]:
        del variables[name]
    variables.update(
        {
            "OGR_SKIP": ",".join(SKIPPED_VECTOR),
            "GDAL_SKIP": ",".join(SKIPPED_RASTER),
            "GDAL_DRIVER_PATH": "disable",  # no plug-ins
            "GDAL_CONFIG_FILE": os.devnull,  # no gdalrc
            "GDAL_PAM_ENABLED": "NO",  # no .aux.xml read or written
            "CPL_LOG": os.devnull,  # GDAL's own words never reach the user's screen
            "OGR_GEOJSON_MAX_OBJ_SIZE": "2000",  # MB; a dissolved city layer is one feature
            "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",
            "PROJ_NETWORK": "OFF",
        }
    )
