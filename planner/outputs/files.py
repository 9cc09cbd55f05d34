"""Tables as CSV and as one GeoPackage, written aside and renamed."""

from __future__ import annotations

import csv
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio  # type: ignore[import-untyped]
import shapely

from planner.contracts import TABLES
from planner.contracts.facts import RunFacts, Tables
from planner.ground.measure import cut_line
from planner.outputs.gis_drawn import drawn_layers
from planner.outputs.gis_file import finish_file
from planner.outputs.gis_styles import style_of
from planner.tables import Table

# A cell that starts like this can run as a formula when a spreadsheet opens the file.
RISKY = ("=", "+", "-", "@", "\t", "\r", "'")


def write_tables(tables: Tables, facts: RunFacts, folder: Path) -> list[Path]:
    """Write every table of the run as ``tables/NAME.csv``, as Parquet, and all into ``plan.gpkg``.

    Text that could run as a formula gets a leading apostrophe in the CSV; `plain_text`
    takes it off again, so a round trip is exact. Geometry is turned back into the
    system the layers came in.

    Parameters
    ----------
    tables : Tables
        All tables of the run.
    facts : RunFacts
        ``source_crs`` and the first day, which stamps the GeoPackage.
    folder : Path
        Folder of the run; must exist.

    Returns
    -------
    list of Path
        The CSVs in the order of the contracts, Parquet, styles, last the GeoPackage.
    """
    known = [table for table in TABLES if table.name in tables]
    (folder / "tables").mkdir(exist_ok=True)
    paths = [
        _aside(folder / "tables" / f"{table.name}.csv", _csv_writer(tables[table.name], table))
        for table in known
    ]
    layers = {t.name: _layer(tables[t.name], t, tables, facts) for t in known}
    paths += _parquet(layers, folder)
    spans = layers.get("spans")
    if isinstance(spans, gpd.GeoDataFrame) and {"setups", "visits", "choices"} <= layers.keys():
        layers |= drawn_layers(tables, facts, spans)
    paths += _styles(layers, folder)
    paths.append(_aside(folder / "plan.gpkg", _gpkg_writer(layers, facts)))
    return paths


def write_table(path: Path, frame: pd.DataFrame, table: Table) -> Path:
    """Write one table as a CSV, aside and renamed; text that could run gets an apostrophe."""
    return _aside(path, _csv_writer(frame, table))


def safe_text(value: str) -> str:
    """Put an apostrophe before text that a spreadsheet could run."""
    return "'" + value if value.startswith(RISKY) else value


def plain_text(value: str) -> str:
    """Take off the apostrophe that `safe_text` put before a text."""
    return value[1:] if value.startswith("'") and value[1:].startswith(RISKY) else value


def _aside(path: Path, write: Callable[[Path], None]) -> Path:
    """Write to a file beside `path` and rename it: the old state or the new, never half."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=path.suffix)
    os.close(handle)
    part = Path(name)
    try:
        part.unlink()
        write(part)
        part.chmod(0o644)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return path


def _csv_writer(frame: pd.DataFrame, table: Table) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        columns = [_cells(frame[column.name], column.kind) for column in table.columns]
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, quoting=csv.QUOTE_ALL, lineterminator="\n")
            writer.writerow(table.names)
            writer.writerows(zip(*columns, strict=True))

    return write


def _cells(values: pd.Series, kind: str) -> list[str]:
    """Write a column cell by cell; figures keep every digit that brings them back."""
    if kind in ("text", "date"):
        return [safe_text(str(value)) for value in values]
    if kind == "flag":
        return ["" if pd.isna(v) else "yes" if v else "no" for v in values]
    if kind == "whole":
        return ["" if pd.isna(v) else str(int(v)) for v in values]
    return ["" if np.isnan(v) else repr(float(v)) for v in values.to_numpy(dtype=float)]


def _layer(frame: pd.DataFrame, table: Table, tables: Tables, facts: RunFacts) -> pd.DataFrame:
    """Give one layer in the source's system; sleeves, spans and defects get a line to draw."""
    plain = pd.DataFrame(frame[table.names]).copy()
    for column in table.columns:
        if column.kind == "flag":
            plain[column.name] = plain[column.name].astype("Int32")
    if table.geometry:
        shapes = gpd.GeoSeries(frame["geometry"].to_numpy(), crs=facts.local_crs)
    elif table.name in ("sleeves", "spans", "defects"):
        shapes = gpd.GeoSeries(_lines(frame, tables["pipes"]), crs=facts.local_crs)  # type: ignore[arg-type]
    else:
        return plain
    back = shapes.to_crs(facts.source_crs)
    return gpd.GeoDataFrame(plain, geometry=back.to_numpy(), crs=facts.source_crs)


def _lines(frame: pd.DataFrame, pipes: pd.DataFrame) -> list[shapely.Geometry | None]:
    """Cut the pipes' drawings at from_m and to_m [m], turned into drawn metres."""
    known = pipes.set_index("pipe_id")
    rows = known.reindex(frame["pipe_id"])
    drawn, length = rows["drawn_m"].to_numpy(float), rows["length_m"].to_numpy(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = drawn / length
    starts = np.clip(frame["from_m"].to_numpy(float) * scale, 0, drawn)
    ends = np.clip(frame["to_m"].to_numpy(float) * scale, 0, drawn)
    return [
        cut_line(line, a, b) if line is not None and np.isfinite(b) and b > a else None
        for line, a, b in zip(rows["geometry"], starts, ends, strict=True)
    ]


def _gpkg_writer(layers: dict[str, pd.DataFrame], facts: RunFacts) -> Callable[[Path], None]:
    stamp = f"{facts.first_day or '2000-01-01'}T00:00:00.000Z"

    def write(path: Path) -> None:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": stamp})
        try:
            for name, frame in layers.items():
                _write_layer(path, name, frame)
            drawn = [n for n, frame in layers.items() if isinstance(frame, gpd.GeoDataFrame)]
            finish_file(path, facts, layers, drawn)
        finally:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})

    return write


def _parquet(layers: dict[str, pd.DataFrame], folder: Path) -> list[Path]:
    """Write each table as Parquet, layers as GeoParquet, for programs that reckon on."""
    home = folder / "parquet"
    home.mkdir(exist_ok=True)
    return [
        _aside(home / f"{name}.parquet", lambda path, frame=frame: frame.to_parquet(path))  # type: ignore[misc]
        for name, frame in layers.items()
    ]


def _styles(layers: dict[str, pd.DataFrame], folder: Path) -> list[Path]:
    """Write the look of each layer beside the file, for a program that finds none in it."""
    home = folder / "styles"
    home.mkdir(exist_ok=True)
    drawn = [name for name, frame in layers.items() if isinstance(frame, gpd.GeoDataFrame)]
    looks = {name: style_of(name) for name in drawn}
    return [
        _aside(home / f"{name}.qml", lambda path, text=text: path.write_text(text, "utf-8"))  # type: ignore[misc]
        for name, text in looks.items()
        if text
    ]


def _write_layer(path: Path, name: str, frame: pd.DataFrame) -> None:
    kind = "Unknown" if isinstance(frame, gpd.GeoDataFrame) else None
    pyogrio.write_dataframe(
        frame, path, layer=name, driver="GPKG", append=path.exists(), geometry_type=kind
    )
