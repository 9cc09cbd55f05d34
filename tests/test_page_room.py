"""A stop that is kept whole has room on its page: held against the typesetter's own measure."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import pandas as pd
import typst
from sheet_town import sheet_week
from test_sheets import FACTS, day_of

from planner.contracts import LATERALS, SPANS
from planner.contracts.facts import RunFacts
from planner.outputs.drawn_words import all_words_apart
from planner.outputs.sheets import sheet_data
from planner.outputs.typeset import data_line
from planner.tables import conform

# A4 is 297 mm high; 30 mm are margins; 1 mm = 72 / 25.4 pt.
PAGE_PT = (297 - 30) * 72 / 25.4
MEASURE = """
#context [#metadata(day.stops.filter(stop => not stop.spent).map(stop => measure(
  width: 184mm,
  { stop_head(stop); before(stop); for part in stop.blocks { step_block(part) }; works(stop) },
).height.pt())) <heights>]
"""


def heights(tables: dict[str, pd.DataFrame], folder: Path, facts: RunFacts = FACTS) -> list[float]:
    """Let the typesetter measure each stop of the first day that sets no sleeve [pt]."""
    data = resources.files("planner").joinpath("data")
    head, _, rest = (
        data.joinpath("sheet.typ").read_text("utf-8").partition("#for stop in day.stops {")
    )
    assert rest
    visits = tables["visits"][tables["visits"]["date"] == "2026-01-12"]
    content = all_words_apart(sheet_data("Crew", "2026-01-12", visits, tables, facts))
    path = folder / "measure.typ"
    path.write_bytes(data_line("day", json.dumps(content)) + (head + MEASURE).encode())
    fonts = typst.Fonts(include_system_fonts=False, font_paths=[str(data.joinpath("fonts"))])
    found = typst.query(str(path), "<heights>", field="value", one=True, font_paths=fonts)
    high: list[float] = json.loads(found)
    return high


def grown(per_pipe: int) -> dict[str, pd.DataFrame]:
    """Give the town with more and more spans and connections from pipe to pipe."""
    tables = sheet_week(1)
    spans, laterals = tables["spans"].to_dict("records"), tables["laterals"].to_dict("records")
    for n in range(8):
        for k in range(per_pipe * n):
            spans.append({**spans[0], "span_id": f"X{n}-{k:02d}", "pipe_id": f"P{n}",
                          "from_m": 1.0 + k, "to_m": 1.2 + k,
                          "mechanisms": "break+infiltration+surface_loss"})  # fmt: skip
            laterals.append({**laterals[0], "lateral_id": f"Y{n}-{k:02d}", "pipe_id": f"P{n}",
                             "x_m": 0.5 + k})  # fmt: skip
    tables["spans"], tables["laterals"] = conform(spans, SPANS), conform(laterals, LATERALS)
    return tables


def test_no_stop_that_is_kept_whole_is_higher_than_a_page(tmp_path: Path) -> None:
    """With nothing more and with up to 14 spans more on a pipe; some are whole, some are not."""
    whole = []
    for per_pipe in (0, 1, 2):
        tables = grown(per_pipe)
        stops = [stop for stop in day_of(tables) if not stop["spent"]]
        for stop, high in zip(stops, heights(tables, tmp_path), strict=True):
            whole.append(stop["whole"])
            assert not stop["whole"] or high <= PAGE_PT, (stop["title"], high)
    assert True in whole
    assert False in whole


def test_long_names_are_never_kept_whole_on_too_little_room(tmp_path: Path) -> None:
    """Names of 300 letters in each field of the head."""
    tables = sheet_week(1)
    tables["nodes"] = tables["nodes"].assign(street="long " * 60)
    tables["pipes"] = tables["pipes"].assign(material="stone " * 50)
    tables["setups"] = tables["setups"].assign(doubts="not known " * 30)
    stops = [stop for stop in day_of(tables) if not stop["spent"]]
    for stop, high in zip(stops, heights(tables, tmp_path), strict=True):
        assert not stop["whole"] or high <= PAGE_PT, (stop["title"], high)
