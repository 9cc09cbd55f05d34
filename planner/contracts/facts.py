"""What every output prints beside its tables: facts of the run, no data rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

Tables = Mapping[str, pd.DataFrame]
"""All tables of a run by contract name, e.g. ``tables["pipes"]`` obeys `PIPES`."""


@dataclass(frozen=True)
class RunFacts:
    """Facts of one run.

    ``source_crs`` is the system of the input layers, as text that pyproj reads;
    geometry in the tables is in the local metric projection ``local_crs``.
    ``not_accepted`` asks for NOT ACCEPTED across map, sheets and totals;
    ``by_air`` for a line that drives were reckoned by air. ``media`` gives the file, in
    the project folder, of each photo and video that a row names and that is there.
    """

    name: str
    first_day: str
    currency: str
    units: str
    source_crs: str
    local_crs: str
    not_accepted: bool
    by_air: bool
    reproducible: bool
    version: str
    invented: bool = False
    media: Mapping[str, str] = field(default_factory=dict)
