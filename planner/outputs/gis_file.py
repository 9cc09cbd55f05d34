"""What makes ``plan.gpkg`` more than tables: styles, keys, units of columns, facts of the run."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path

from planner.contracts import TABLES
from planner.contracts.facts import RunFacts
from planner.outputs.gis_drawn import ABOUT, MEANING, PIPES, SPANS, STOPS
from planner.outputs.gis_styles import style_of
from planner.tables import Column, Table

# OGC GeoPackage 1.3, extension "schema": names and meanings of columns (table 38 of the standard).
_DATA_COLUMNS = """CREATE TABLE IF NOT EXISTS gpkg_data_columns (
 table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
 mime_type TEXT, constraint_name TEXT,
 CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
 CONSTRAINT gdc_tn UNIQUE (table_name, name))"""
_EXTENSIONS = """CREATE TABLE IF NOT EXISTS gpkg_extensions (
 table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
 scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"""
# The table that QGIS looks in for styles; its columns are given by that program.
_STYLES = """CREATE TABLE layer_styles (
 id INTEGER PRIMARY KEY AUTOINCREMENT, f_table_catalog TEXT, f_table_schema TEXT,
 f_table_name TEXT, f_geometry_column TEXT, styleName TEXT, styleQML TEXT, styleSLD TEXT,
 useAsDefault BOOLEAN, description TEXT, owner TEXT, ui TEXT, update_time DATETIME)"""
_META = "CREATE TABLE plan_meta (fact TEXT PRIMARY KEY, value TEXT NOT NULL)"
_DRAWN_KEYS = {PIPES: ("pipe_id",), SPANS: ("span_id",), STOPS: ("visit_id",)}


def finish_file(path: Path, facts: RunFacts, layers: Iterable[str], drawn: Iterable[str]) -> None:
    """Write styles, keys, meanings of columns and facts into a GeoPackage.

    Parameters
    ----------
    path
        The GeoPackage; it is changed in place, so give one that is not yet in use.
    facts
        First day, which stamps it, and what every output prints.
    layers
        Names of its layers and tables.
    drawn
        Those with shapes: they get a look.
    """
    names = list(layers)
    stamp = f"{facts.first_day or '2000-01-01'}T00:00:00.000Z"
    with closing(sqlite3.connect(path)) as connection, connection:
        _describe(connection, names)
        _keys(connection, names)
        connection.execute(_STYLES)
        for name in drawn:
            qml = style_of(name)
            if qml:
                row = ("", "", name, "geom", name, qml, "", 1, "sleeveplan", "", "", stamp)
                connection.execute(
                    "INSERT INTO layer_styles VALUES (NULL,?,?,?,?,?,?,?,?,?,?,?,?)", row
                )
        connection.execute(_META)
        connection.executemany("INSERT INTO plan_meta VALUES (?,?)", sorted(_facts(facts).items()))
        for name in ("layer_styles", "plan_meta"):
            connection.execute(
                "INSERT INTO gpkg_contents (table_name, data_type, identifier, description,"
                " last_change) VALUES (?, 'attributes', ?, '', ?)",
                (name, name, stamp),
            )


def _facts(facts: RunFacts) -> Mapping[str, str]:
    return {
        "name": facts.name,
        "first_day": facts.first_day,
        "currency": facts.currency,
        "print_units": facts.units,
        "sleeveplan": facts.version,
        "accepted": "NOT ACCEPTED: nobody has signed" if facts.not_accepted else "yes",
        "reproducible": "yes" if facts.reproducible else "no: the clock stopped the solver",
        "drives": "by air" if facts.by_air else "on streets",
        "invented": "yes" if facts.invented else "no",
        "caution": "Local codes, the makers' instructions and licensed practice decide.",
    }


def _describe(connection: sqlite3.Connection, names: list[str]) -> None:
    """Say of each table what a row is, and of each column its unit and meaning."""
    connection.execute(_DATA_COLUMNS)
    connection.execute(_EXTENSIONS)
    connection.execute(
        "INSERT OR IGNORE INTO gpkg_extensions VALUES (?,?,?,?,?)",
        ("gpkg_data_columns", None, "gpkg_schema",
         "http://www.geopackage.org/spec121/#extension_schema", "read-write"),
    )  # fmt: skip
    known = {table.name: table for table in TABLES}
    for name in names:
        if name in known:
            rows = [(name, c.name, c.name, _unit(c), c.meaning) for c in known[name].columns]
            about = known[name].one_row
        else:
            held = {row[1] for row in connection.execute(f'PRAGMA table_info("{name}")')}
            rows = [(name, c, c, "", MEANING[c]) for c in sorted(held & MEANING.keys())]
            about = ABOUT.get(name, "")
        statement = "INSERT INTO gpkg_data_columns VALUES (?,?,?,?,?,NULL,NULL)"
        connection.executemany(statement, rows)
        connection.execute(
            "UPDATE gpkg_contents SET description = ? WHERE table_name = ?", (about, name)
        )


def _unit(column: Column) -> str:
    return f"[{column.unit}]" if column.unit else ""


def _keys(connection: sqlite3.Connection, names: list[str]) -> None:
    """Make the key of each table a unique index, so that a GIS can join by it."""
    keys = {table.name: _plain_key(table) for table in TABLES} | _DRAWN_KEYS
    for name in names:
        columns = keys.get(name, ())
        if columns:
            listed = ", ".join(f'"{column}"' for column in columns)
            connection.execute(f'CREATE UNIQUE INDEX "key_{name}" ON "{name}" ({listed})')


def _plain_key(table: Table) -> tuple[str, ...]:
    """Give the key where no part of it can be unknown: unknowns are not equal in SQL."""
    numbers = any(table[name].kind == "number" and table[name].blank for name in table.key)
    return () if numbers else table.key
