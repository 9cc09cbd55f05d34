"""Small vector files for tests, written by hand or by the libraries."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import shapely

from planner.inputs.specs import LayerSpec
from planner.settings import Survey, load_settings

UTM = "EPSG:25832"
# A place well inside the area of use of UTM: 10.5 E, 52.3 N or so.
EAST, NORTH = 600_000.0, 5_800_000.0


def survey(**changed: Any) -> Survey:
    """Give the packaged settings of the survey, some of them changed."""
    return load_settings().survey.model_copy(update=changed)


def spec(file: str, layer: str = "", **more: Any) -> LayerSpec:
    """Give a layer spec; ``columns`` and ``units`` go by keyword."""
    return LayerSpec(file=Path(file), layer=layer, **more)


def line(*offsets: tuple[float, float]) -> shapely.LineString:
    """Draw a line at offsets [m] from the place of the tests."""
    return shapely.LineString([(EAST + x, NORTH + y) for x, y in offsets])


def point(x: float, y: float) -> shapely.Point:
    """Draw a point at offsets [m] from the place of the tests."""
    return shapely.Point(EAST + x, NORTH + y)


def write_geojson(
    path: Path,
    features: Iterable[tuple[Mapping[str, Any], Any]],
    crs: Any = "urn:ogc:def:crs:EPSG::25832",
) -> None:
    """Write features as (properties, shape); ``crs`` is a name, a whole member, or None."""
    found: dict[str, Any] = {"type": "FeatureCollection"}
    if isinstance(crs, str):
        found["crs"] = {"type": "name", "properties": {"name": crs}}
    elif crs is not None:
        found["crs"] = crs
    found["features"] = [
        {
            "type": "Feature",
            "properties": dict(properties),
            "geometry": None if shape is None else shapely.geometry.mapping(shape),
        }
        for properties, shape in features
    ]
    path.write_text(json.dumps(found), encoding="utf-8")


def write_layer(
    path: Path, columns: Mapping[str, list[Any]], shapes: list[Any], *, crs: Any = UTM, **more: Any
) -> None:
    """Write a layer with geopandas: the driver goes by the ending."""
    frame = gpd.GeoDataFrame(dict(columns), geometry=shapes, crs=crs)
    if path.suffix == ".parquet":
        frame.to_parquet(path, **more)
    else:
        frame.to_file(path, **more)
