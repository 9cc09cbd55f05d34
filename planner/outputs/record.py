"""run.json: versions, settings with their origin, hashes of what was read, and when."""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from planner.contracts.facts import RunFacts
from planner.settings import Settings

SHOWN = ("geopandas", "shapely", "pyproj", "pyogrio", "pandas", "numpy", "scipy", "numba",
         "pyvrp", "ortools", "folium", "typst", "xlsxwriter")  # fmt: skip


def write_record(
    folder: Path, settings: Settings, hashes: Mapping[str, str], facts: RunFacts
) -> Path:
    """Write ``run.json`` into `folder`; the only file of a run that says when it was made.

    Parameters
    ----------
    folder : Path
        Folder of the run.
    settings : Settings
        As used, with the layer each value came from.
    hashes : mapping
        SHA-256 of each input file by name.
    facts : RunFacts
        Systems of coordinates; whether the clock stopped the route solver.
    """
    values = settings.model_dump(exclude={"origins"})
    record = {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "sleeveplan": version("sleeveplan"),
        "python": platform.python_version(),
        "packages": {name: version(name) for name in SHOWN},
        "reproducible": facts.reproducible,
        "source_crs": facts.source_crs,
        "local_crs": facts.local_crs,
        "settings": {
            section: {
                key: {"value": value, "from": settings.origins[f"{section}.{key}"]}
                for key, value in keys.items()
            }
            for section, keys in values.items()
        },
        "inputs_sha256": dict(sorted(hashes.items())),
    }
    path = folder / "run.json"
    path.write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", "utf-8")
    return path
