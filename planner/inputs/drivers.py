"""GDAL with a few drivers and no more: other formats can open further files, or call out.

A small XML file that names a remote source is a data set to GDAL whatever its ending says.
So every other driver is switched off, by name, before the library is first loaded; if it
was loaded earlier, or knows a driver that is not in the list, they are struck from its
register afterwards, and nothing is read unless that succeeded.
"""

from __future__ import annotations

import importlib
import os
import sys
from types import ModuleType

import pyproj

from planner.errors import FileError

ALLOWED = frozenset(
    {"ESRI Shapefile", "FlatGeobuf", "GML", "GPKG", "GeoJSON", "MapInfo File", "OpenFileGDB"}
)
_SKIP = "GDAL_SKIP"
# Vector drivers of GDAL 3.12 as the wheels of pyogrio 0.13 carry them.
_OTHERS = (
    "ADBC, AIVector, AVCBin, AVCE00, AmigoCloud, CSV, CSW, Carto, DGN, DXF, EDIGEO, EEDA, "
    "ESRIJSON, Elasticsearch, GDALG, GPSBabel, GPX, GTFS, GeoJSONSeq, "
    "GeoRSS, HTTP, Idrisi, JML, JSONFG, KML, LIBKML, LVBAG, MBTiles, MEM, MVT, "
    "MapML, MiraMonVector, NGW, OAPIF, ODS, OGCAPI, OGR_GMT, OGR_PDS, OGR_VRT, OSM, "
    "PCIDSK, PDF, PDS4, PGDUMP, PLSCENES, PMTiles, S57, SQLite, SXF, Selafin, "
    "TopoJSON, VDV, VFK, VICAR, WAsP, WFS, XLSX"
)


def guarded_gdal() -> ModuleType:
    """Load the reader with every driver off but those of `ALLOWED`.

    Returns
    -------
    pyogrio
        The module.

    Raises
    ------
    FileError
        If a driver could not be switched off: then no layer is read.
    """
    pyogrio = _load() if "pyogrio" not in sys.modules else sys.modules["pyogrio"]
    pyproj.network.set_network_enabled(active=False)  # type: ignore[attr-defined]
    others = set(pyogrio.list_drivers()) - ALLOWED
    if others:
        # Drivers struck off before come back with the next registration, so all are named.
        struck = set(str(pyogrio.get_gdal_config_option(_SKIP) or "").split(",")) - {""}
        pyogrio.set_gdal_config_options({_SKIP: ",".join(sorted(others | struck))})
        importlib.import_module("pyogrio._ogr")._register_drivers()
    left = sorted(set(pyogrio.list_drivers()) - ALLOWED)
    if left:
        message = f"GDAL drivers that are not allowed could not be switched off: {', '.join(left)}"
        raise FileError(message)
    return pyogrio


def _load() -> ModuleType:
    names = _OTHERS.replace(", ", ",")
    before = os.environ.get(_SKIP)
    os.environ[_SKIP] = names
    try:
        pyogrio = importlib.import_module("pyogrio")
    finally:
        # The variable is read while the drivers register; no child process needs it.
        if before is None:
            del os.environ[_SKIP]
        else:
            os.environ[_SKIP] = before
    pyogrio.set_gdal_config_options({_SKIP: names})
    return pyogrio
