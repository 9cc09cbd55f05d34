"""A commented project folder to start from: every file that the tool reads, nothing invented.

Figures of a sleeve system come from its maker and prices from the contract, so the files
for them hold their keys in comments and no numbers that could be taken for true.
"""

from __future__ import annotations

import json
import os
from importlib import resources
from pathlib import Path

from planner.contracts import (
    CLOSED,
    CREWS,
    DECISIONS,
    DONE,
    EVENTS,
    LOTS,
    MATERIALS,
    NOTICES,
    ORDER_OF_WORK,
    PACKERS,
    PARTS,
    PERMITS,
    PRESSURE_STEPS,
    PRICES,
    PROCESS,
    STOCK,
    SYSTEM_SIZES,
    SYSTEMS,
    WEATHER,
    WINDOWS,
)
from planner.errors import FileError
from planner.inputs.forms import wanted_of
from planner.inputs.lying_files import LyingFiles, lying_files
from planner.inputs.observations import FORM
from planner.inputs.sections import DERIVED, FILE, LAYERS
from planner.tables import Column, Table

_DERIVED_FORM = {
    "done": ("done_id", "file", "row"),
    "decisions": ("version", "fingerprint", "at", "opened"),
    "events": ("event_id", "works"),
}
# A list in TOML, where the tables hold one text.
_JOINED = ", '+' between"
_PROJECT = """# A sleeveplan project. Files lie in this folder. `sleeveplan check .` lists what is
# wrong, `sleeveplan plan .` makes the plan. Lines with '#' are choices you may take up.

[project]
name = ""
# crs = "EPSG:25832"       # only where a layer does not say its own
# units = "metric"         # metric | us, for print
# currency = "EUR"
# first_day = "2026-01-12" # the Monday the week starts on

[pipes]
file = "pipes.gpkg"        # or .shp .geojson .parquet .fgb .gml .tab .mif .gdb, ISYBAU .xml
# layer = "pipes"
                           # or, instead of file, service = "a section of pg_service.conf":
                           # PostGIS, layer = "schema.table", the password in ~/.pgpass
# Which of the file's columns holds what: `check` looks for common names, says what it took,
# and proposes a line to paste here (columns = {...}). Or name them one by one:
# [pipes.columns]          # our column = "the file's column"
# pipe_id = "pipe_id"
# us_node = "us_node"
# ds_node = "ds_node"
# size = "size"            # as written: 200, DN 200, 8", 300x450
"""
_INSPECTIONS = """
[[inspections]]            # one for each form of file; `check` says what each was read as
file = "surveys.csv"       # EN 13508-2 text or XML, ISYBAU XML, DWA-M 150 XML, CSV, XLSX, SQLite
# standard = "EN 13508-2 text"   # left out = told by what stands in the file
# scheme = "EN 13508-2"    # | PACP family | UK letter codes; left out = told by the codes
zero_at = "unknown"        # wall | centre | unknown: the zero of the counter
# direction = "down"       # down | up, where the file does not say from where the camera ran
# heads = "runs.csv"       # a list of inspections beside the rows
# table = "observations"   # sheet of a workbook or table of a database; heads_table likewise
# units = {s_m = "ft"}     # m | mm | cm | ft | ft_us | in
[inspections.columns]      # our column = "the file's column"; left out = by common names
"""
_RULES = """
# [store]
# service = "ourtown"      # the team's PostGIS in the place of project.gpkg (docs/team_store.md)
# [media]
# folder = "media"         # photos and videos that the coded rows name
# [rules]
# book = "default"         # or "strict", or a TOML file of your own in this folder (docs/rules.md)
# [rules.overrides]        # one limit changed, with the reason
# "rule-id.column.ok" = [20, "why"]
# [conditions.2026-01]     # temperatures of a date (2026-01-12) or month (2026-01, or 01)
# air_c = 5.0              # degC; cure goes by the coldest, pot life by the warmest
# wall_c = 8.0             # pipe wall or groundwater
# resin_c = 15.0           # when it is mixed
# source = "..."           # who measured or forecast it
"""


def write_skeleton(folder: Path) -> tuple[list[Path], LyingFiles]:
    """Write the commented files of a new project.

    A file of the folder that alone could be the pipes, or the coded rows, is named in
    ``planner.toml``; several are listed there for a person to choose.

    Parameters
    ----------
    folder
        New, or without any of the files.

    Returns
    -------
    paths, lying
        The files written; what lay in the folder before.

    Raises
    ------
    FileError
        If one of the files is there: nothing is written then.
    """
    lying = lying_files(folder)
    texts = {
        FILE: _project_text(lying),
        "crews.toml": _crews_text(),
        "hours.toml": _hours_text(),
        "systems.toml": _systems_text(),
        "prices.toml": _prices_text(),
        "done.csv": _header(DONE, _DERIVED_FORM["done"]),
        "stock.csv": _header(STOCK, ()),
        "lots.csv": _header(LOTS, ("row",)),
        "notices.csv": _header(NOTICES, ("notice_id", "file", "row")),
        "events.csv": _header(EVENTS, _DERIVED_FORM["events"]),
        "decisions.csv": _header(DECISIONS, _DERIVED_FORM["decisions"]),
    }
    there = [name for name in texts if os.path.lexists(folder / name)]
    if there:
        message = f"{folder}: holds {', '.join(there)}; nothing was written"
        raise FileError(message)
    if folder.exists() and not folder.is_dir():
        message = f"{folder}: is no folder"
        raise FileError(message)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, text in texts.items():
        path = folder / name
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
        paths.append(path)
    return paths, lying


def _header(table: Table, derived: tuple[str, ...]) -> str:
    return ",".join(name for name in table.names if name not in derived) + "\n"


def _project_text(lying: LyingFiles) -> str:
    project = _named(_PROJECT, '"pipes.gpkg"', lying.layers)
    parts = [project, _choices(LAYERS["pipes"], {"pipe_id", "us_node", "ds_node"})]
    for name in ("nodes", "laterals", "streets", "addresses"):
        parts += [f'\n# [{name}]\n# file = "{name}.gpkg"\n# [{name}.columns]\n']
        parts.append(_choices(LAYERS[name], set()))
    parts += [_named(_INSPECTIONS, '"surveys.csv"', lying.tables), _choices(FORM, set()), _RULES]
    return "".join(parts) + _settings_text()


def _named(text: str, example: str, names: tuple[str, ...]) -> str:
    """Name the one file that there is in the place of the example; list several beside it."""
    quoted = [json.dumps(name, ensure_ascii=False) for name in names]
    if len(quoted) == 1:
        width = len(example)
        return text.replace(f"file = {example}", f"file = {quoted[0]:<{width}}", 1)
    if quoted:
        listed = f"# here lie: {', '.join(quoted)}\n"
        return text.replace(f"file = {example}", f"{listed}file = {example}", 1)
    return text


def _settings_text() -> str:
    """Give the packaged settings as comments, with their meaning and source; not [project]."""
    text = resources.files("planner").joinpath("data/settings.toml").read_text("utf-8")
    lines = ["", "# Settings that ship with the tool; set here what differs."]
    lines += [f"# {line}".rstrip() for line in text[text.index("[survey]") :].splitlines()]
    return "\n".join(lines) + "\n"


def _choices(table: Table, given: set[str]) -> str:
    columns = [c for c in table.columns if c.name not in given | DERIVED]
    return "".join(_line(f'# {c.name} = "..."', c) for c in columns)


def _line(key: str, column: Column) -> str:
    meaning = column.meaning.partition(_JOINED)[0]
    wanted = "" if column.kind == "text" and not column.one_of else wanted_of(column)
    return f"{key:<34} # {'; '.join(part for part in (meaning, wanted) if part)}\n"


def _keys(table: Table, skip: tuple[str, ...] = (), indent: str = "# ") -> str:
    return "".join(
        _line(f"{indent}{c.name} = {_blank(c)}", c) for c in table.columns if c.name not in skip
    )


def _blank(column: Column) -> str:
    if column.kind in ("number", "whole"):
        return "0"
    if column.kind == "flag":
        return "false"
    if _JOINED not in column.meaning:
        return '"..."'
    return "[1.0]" if column.name.endswith("_m") else '["..."]'


def _crews_text() -> str:
    return (
        "# Crews: who does which steps, with which systems and packers, from which yard, when.\n\n"
        "# [[crew]]\n" + _keys(CREWS, ("break_from_s", "break_to_s"))
        + '# break_from = "11:30"                # the pause begins between these\n'
        + '# break_to = "13:30"\n' + "# [[crew.shift]]\n"
        '# days = ["mon", "tue", "wed", "thu", "fri"]\n# start = "07:00"\n# end = "16:00"\n'
        + "# end_next_day = false               # true of a night\n"
        + "# overtime_s = 0                     # s that may be planned beyond\n"
    )  # fmt: skip


def _hours_text() -> str:
    days = '# days = ["mon", "tue", "wed", "thu", "fri"]\n# open = "09:00"\n# close = "15:00"\n'
    night = "# close_next_day = false             # true where it ends after midnight\n"
    return (
        "# When work may be done in which streets; without it the hours of [week] hold.\n\n"
        "# [[window]]\n" + _keys(WINDOWS, ("weekday", "open_s", "close_s", "row")) + days + night
        + "\n# [[closed]]\n" + _keys(CLOSED, ("row",))
        + "\n# [[weather]]\n" + _keys(WEATHER, ("row",))
        + "\n# [[permit]]\n" + _keys(PERMITS, ("open_s", "close_s", "row"))
        + '# open = "09:00"\n# close = "15:00"\n' + night
    )  # fmt: skip


def _systems_text() -> str:
    return (
        "# Sleeve systems and packers. Every figure comes from the maker's own instructions.\n\n"
        "# [[system]]\n" + _keys(SYSTEMS) + "\n#   [[system.size]]\n"
        + _keys(SYSTEM_SIZES, ("system",), "#   ") + "\n#   [[system.material]]\n"
        + _keys(MATERIALS, ("system",), "#   ") + "\n#   [[system.part]]\n"
        + _keys(PARTS, ("system",), "#   ") + "\n#   [[system.process]]\n"
        + _keys(PROCESS, ("system",), "#   ") + "\n#   [[system.pressure]]\n"
        + _keys(PRESSURE_STEPS, ("system", "seq", "refused"), "#   ")
        + "\n#   [[system.order]]               # your own order of work, one table a line\n"
        + _keys(ORDER_OF_WORK, ("system", "seq", "refused", "source"), "#   ")
        + "\n# [[packer]]\n" + _keys(PACKERS)
    )  # fmt: skip


def _prices_text() -> str:
    amounts = ("each_cents", "extra_cents_per_m", "least_cents")
    return (
        "# Prices: so much each, so much for every metre beyond included_m, in the currency of\n"
        "# planner.toml.\n\n# [[price]]\n" + _keys(PRICES, amounts)
        + "# each = 0.00                      # each, the first included_m within it\n"
        + "# extra_per_m = 0.00               # each further metre\n"
        + "# least = 0.00                     # least sum for one piece or run\n"
    )  # fmt: skip
