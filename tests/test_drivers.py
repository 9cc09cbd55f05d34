"""A few drivers and no more, whoever loads the library first."""

import importlib
import subprocess
import sys

import pytest

from planner.errors import FileError
from planner.inputs.drivers import guarded_gdal

WANTED = [
    "ESRI Shapefile",
    "FlatGeobuf",
    "GML",
    "GPKG",
    "GeoJSON",
    "MapInfo File",
    "OpenFileGDB",
]


@pytest.mark.parametrize(
    "first",
    [
        "import planner.inputs.drivers",
        "import geopandas",
        "import pyogrio",
        "import planner.outputs.files",
    ],
)
def test_all_other_drivers_are_off(first: str):
    """In a fresh interpreter, whatever was imported before, the allowed ones are left."""
    code = (
        f"{first}\n"
        "from planner.inputs.drivers import guarded_gdal\n"
        "import os\n"
        "print(sorted(guarded_gdal().list_drivers()), 'GDAL_SKIP' in os.environ)"
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == f"{WANTED} False"
    assert done.stderr == ""


def test_a_driver_that_stays_stops_everything(monkeypatch: pytest.MonkeyPatch):
    """If GDAL keeps a driver, no layer is read."""
    gdal = guarded_gdal()
    with monkeypatch.context() as patch:
        patch.setattr(gdal, "list_drivers", lambda: {"GPKG": "rw", "OGR_VRT": "r"})
        with pytest.raises(FileError, match="OGR_VRT"):
            guarded_gdal()
    assert sorted(guarded_gdal().list_drivers()) == WANTED


def test_drivers_that_come_back_are_struck_off_again():
    """Registering anew brings all of them back; the next reading notices."""
    gdal = guarded_gdal()
    names = gdal.get_gdal_config_option("GDAL_SKIP")
    gdal.set_gdal_config_options({"GDAL_SKIP": None})
    importlib.import_module("pyogrio._ogr")._register_drivers()
    assert "OGR_VRT" in gdal.list_drivers()
    assert sorted(guarded_gdal().list_drivers()) == WANTED
    assert set(gdal.get_gdal_config_option("GDAL_SKIP").split(",")) == set(names.split(","))
