"""One layer out of PostGIS, named by ``service =``: every attribute as text, one snapshot.

The database turns each value into text itself, so that an id, a number of any size and a day
come as they are written there. Curves become short straight pieces, and that is said.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import shapely

from planner.errors import FileError, PlannerError
from planner.ground.measure import read_crs
from planner.ground.postgis import Session, quoted, reading
from planner.inputs.forms import nearest
from planner.inputs.specs import LayerSpec

_NUMBERS = frozenset({"int2", "int4", "int8", "float4", "float8", "numeric"})
_SHAPES = ("geometry", "geography")
_LAYERS = (
    "select f_table_schema::text, f_table_name::text, f_geometry_column::text "
    "from geometry_columns "
    "union select f_table_schema::text, f_table_name::text, f_geography_column::text "
    "from geography_columns order by 1, 2, 3"
)
_COLUMNS = (
    "select a.attname::text, t.typname::text, coalesce(a.attnum = any(i.indkey), false)::text "
    "from pg_attribute a join pg_class c on c.oid = a.attrelid "
    "join pg_namespace n on n.oid = c.relnamespace join pg_type t on t.oid = a.atttypid "
    "left join pg_index i on i.indrelid = c.oid and i.indisprimary "
    "where n.nspname = $1 and c.relname = $2 and a.attnum > 0 and not a.attisdropped "
    "order by a.attnum"
)
_SYSTEM = (
    "select auth_name::text, auth_srid::text, srtext::text from spatial_ref_sys "
    "where srid = $1::int"
)


@dataclass(frozen=True)
class ServiceRows:
    """Attributes as text, shapes, the system ('' where none), which columns are numbers.

    ``sha256`` is of all rows as they were given.
    """

    table: pa.Table
    shapes: npt.NDArray[np.object_]
    crs: str
    numbers: frozenset[str]
    notes: list[str]
    sha256: str


@dataclass(frozen=True)
class _Columns:
    """Of one table or view: its attributes with their types, its shape, its order."""

    schema: str
    name: str
    shape: str
    types: dict[str, str]
    key: list[str]


def read_service_layer(spec: LayerSpec) -> ServiceRows:
    """Read one table or view of a PostGIS database.

    Parameters
    ----------
    spec
        ``layer`` is ``table``, ``schema.table`` or ``schema.table.column``; it may be blank
        where the database shows this user one layer only.

    Returns
    -------
    rows
        In the order of the primary key; of all attributes where there is none.

    Raises
    ------
    FileError
        If the service does not answer, the layer is not there, it has no geometry or more
        than one system, or is larger than `planner.ground.postgis.MAX_BYTES`.
    """
    with reading(spec.service) as snapshot:
        columns = _columns(snapshot, _pick(snapshot, spec), spec)
        table = snapshot.table(_query(columns))
        srids = sorted(set(table.column("srid").to_pylist()) - {None})
        if len(srids) > 1:
            message = f"{spec.name}: shapes of systems {', '.join(srids)}; wanted one"
            raise FileError(message)
        crs = _system(snapshot, srids[0]) if srids and srids[0] != "0" else ""
    notes = []
    if any(table.column("arcs").to_pylist()):
        notes.append("curves were read as short straight pieces")
    if not columns.key:
        notes.append("has no primary key: its rows are numbered in the order of their values")
    wkb = table.column("shape").to_pylist()
    with np.errstate(invalid="ignore"):  # a coordinate may be NaN: the network says it
        shapes = np.asarray(shapely.from_wkb(np.array(wkb, dtype=object), "ignore"), dtype=object)
    numbers = frozenset(name for name, kind in columns.types.items() if kind in _NUMBERS)
    plain = table.select(range(len(columns.types))).rename_columns(list(columns.types))
    return ServiceRows(plain, shapes, crs, numbers, notes, _digest(table))


def _pick(snapshot: Session, spec: LayerSpec) -> tuple[str, str, str]:
    """Say which schema, table and column a layer's name means."""
    found = [tuple(row.values()) for row in snapshot.table(_LAYERS).to_pylist()]
    layers = {".".join(row): row for row in found}
    wanted = spec.layer
    fits = [
        row
        for full, row in layers.items()
        if not wanted or wanted in (full, ".".join(row[:2])) or wanted == row[1]
    ]
    if len(fits) == 1:
        schema, table, column = fits[0]
        return schema, table, column
    if not fits:
        named = f"'{wanted}'" if wanted else "at all"
        hint = nearest(wanted, list(layers))
        message = (
            f"service {spec.service}: no layer {named} that this user may read{hint}; "
            f"found {', '.join(layers) or 'none'}"
        )
    else:
        which = ", ".join(".".join(row) for row in fits)
        message = f"service {spec.service}: {len(fits)} layers fit ({which}); name one by layer ="
    raise FileError(message)


def _columns(snapshot: Session, picked: tuple[str, str, str], spec: LayerSpec) -> _Columns:
    schema, name, shape = picked
    rows = [tuple(row.values()) for row in snapshot.table(_COLUMNS, (schema, name)).to_pylist()]
    types = {column: kind for column, kind, _ in rows if kind not in _SHAPES}
    if not types:
        message = f"{spec.name}: has no columns but its shape; wanted one with ids"
        raise FileError(message)
    return _Columns(
        schema, name, shape, types, [column for column, _, key in rows if key == "true"]
    )


def _query(columns: _Columns) -> str:
    """Write the query; names are quoted, nothing else in it comes from outside."""
    shape = f"{quoted(columns.shape)}::geometry"
    texts = [f"{quoted(name)}::text" for name in columns.types]
    order = [quoted(name) for name in columns.key] or [f"{text} nulls first" for text in texts]
    return (
        f"select {', '.join(f'{text} as c{n}' for n, text in enumerate(texts))}, "
        f"ST_AsBinary(case when ST_HasArc({shape}) then ST_CurveToLine({shape}) else {shape} end, "
        f"'NDR') as shape, ST_HasArc({shape}) as arcs, ST_SRID({shape})::text as srid "
        f"from {quoted(columns.schema, columns.name)} order by {', '.join(order)}"
    )


def _system(snapshot: Session, srid: str) -> str:
    """Name a system by its authority; one that only this database knows by its text."""
    for auth, number, text in (
        tuple(r.values()) for r in snapshot.table(_SYSTEM, (srid,)).to_pylist()
    ):
        try:
            read_crs(f"{auth}:{number}")
        except PlannerError:
            return str(text or "")
        return f"{auth}:{number}"
    return ""


def _digest(table: pa.Table) -> str:
    digest = hashlib.sha256()
    for column in table.columns:
        for value in column.to_pylist():
            raw = value if isinstance(value, bytes) else str(value).encode()
            digest.update(b"-" if value is None else str(len(raw)).encode() + b":" + raw)
    return digest.hexdigest()
