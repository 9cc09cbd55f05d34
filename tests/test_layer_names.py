"""Columns found by common names: only where plain, always said, ready to be pasted."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from layer_files import UTM, line, spec, survey, write_geojson

from planner.errors import FileError
from planner.inputs.network import Network, read_network


def network(folder: Path, rows: list[dict], **more) -> Network:
    features = [
        ({"FACILITYID": f"P{n}", "UP_MH": f"M{n}", "DN_MH": f"M{n + 1}", "DIA": "DN 200", **row},
         line((40.0 * n, 0.0), (40.0 * n + 40.0, 0.0)))
        for n, row in enumerate(rows)
    ]  # fmt: skip
    write_geojson(folder / "p.geojson", features)
    return read_network(spec("p.geojson", **more), None, None, folder, survey(), UTM)


def test_plain_names_are_taken_and_told_ready_to_paste(tmp_path: Path) -> None:
    found = network(tmp_path, [{}, {}, {}])
    assert found.pipes["pipe_id"].tolist() == ["P0", "P1", "P2"]
    assert found.pipes["us_node"].tolist() == ["M0", "M1", "M2"]
    assert found.pipes["dn_mm"].tolist() == [200.0] * 3
    told = [what for what in found.flags["what"] if "taken by their names" in what]
    assert len(told) == 1
    pasted = tomllib.loads(told[0].partition("write ")[2])
    assert pasted["columns"] == {
        "pipe_id": "FACILITYID", "us_node": "UP_MH", "ds_node": "DN_MH", "size": "DIA",
    }  # fmt: skip


def test_what_the_project_names_holds(tmp_path: Path) -> None:
    found = network(tmp_path, [{"mine": "A"}, {"mine": "B"}], columns={"pipe_id": "mine"})
    assert found.pipes["pipe_id"].tolist() == ["A", "B"]


@pytest.mark.parametrize(
    "rows",
    [
        [{"ASSETID": "x"}, {"ASSETID": "y"}],  # two columns could be the id
        [{"FACILITYID": "same"}] * 3,  # values that are no ids
        [{"FACILITYID": None}] * 3,
    ],
)
def test_an_id_in_doubt_is_asked_for(tmp_path: Path, rows: list[dict]) -> None:
    with pytest.raises(FileError, match="which column holds pipe_id"):
        network(tmp_path, rows)


def test_a_unit_at_the_end_of_a_name_is_that_of_its_figures(tmp_path: Path) -> None:
    """8 in are 203.2 mm, 131.2 ft are 39.99 m; the lines to paste give the same network."""
    rows = [{"FACILITYID": f"P{n}", "LEN_FT": 131.2} for n in range(3)]
    found = network(tmp_path, rows)
    assert found.pipes["stated_m"].tolist() == pytest.approx([131.2 * 0.3048] * 3)
    features = [({"id": n, "DIAM_IN": 8}, line((40.0 * n, 0.0), (40.0 * n + 40.0, 0.0)))
                for n in range(3)]  # fmt: skip
    write_geojson(tmp_path / "q.geojson", features)
    both = {"columns": {"pipe_id": "id"}}
    first = read_network(spec("q.geojson", **both), None, None, tmp_path, survey(), UTM)
    assert first.pipes["dn_mm"].tolist() == pytest.approx([203.2] * 3)
    told = next(what for what in first.flags["what"] if "taken by their names" in what)
    lines = told.partition("write ")[2].replace(" and units", "\nunits")
    pasted = tomllib.loads(lines)
    assert pasted == {"columns": {"pipe_id": "id", "size": "DIAM_IN"}, "units": {"size": "in"}}
    again = read_network(spec("q.geojson", **pasted), None, None, tmp_path, survey(), UTM)
    assert again.pipes.drop(columns="geometry").equals(first.pipes.drop(columns="geometry"))
    assert not [what for what in again.flags["what"] if "taken by their names" in what]


def test_a_length_without_a_unit_is_not_taken(tmp_path: Path) -> None:
    """LENGTH may be feet or metres: nothing says which."""
    found = network(tmp_path, [{"LENGTH": 131.2} for _ in range(3)], columns={"pipe_id": "UP_MH"})
    assert found.pipes["stated_m"].isna().all()
