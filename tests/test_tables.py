"""Contracts: what breaks them is said at once, and nothing is repaired."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import Point

from planner.distinct import places_in
from planner.errors import TableError
from planner.once import Once, within
from planner.tables import Table, check, conform, date, empty, flag, number, text, whole

VISIT = Table(
    "visit",
    "one visit",
    (
        text("visit_id", "id", blank=False),
        text("kind", "kind", one_of=("short", "long")),
        date("on", "day"),
        number("drive_m", "m", "drive", blank=False, low=0, high=100),
        whole("stops_count", "-", "stops", low=0),
        flag("done", "done", blank=False),
    ),
    key=("visit_id",),
)
GOOD = {"visit_id": "a", "kind": "short", "on": "2026-01-05", "drive_m": 5, "done": True}


def test_conform_fills_what_is_unknown_sorts_and_drops_the_rest() -> None:
    """A missing number is NaN, a missing text is '', a column nobody asked for is gone."""
    rows = [GOOD | {"visit_id": "b", "more": 1}, GOOD | {"kind": None}]
    frame = conform(rows, VISIT)
    assert list(frame["visit_id"]) == ["a", "b"]
    assert list(frame.columns) == VISIT.names
    assert list(frame["kind"]) == ["", "short"]
    assert frame["stops_count"].isna().all()
    assert [str(dtype) for dtype in frame.dtypes] == [
        "str", "str", "str", "float64", "Int64", "boolean",
    ]  # fmt: skip


def test_check_gives_the_very_frame_back() -> None:
    """Nothing is copied and nothing is changed."""
    frame = conform([GOOD], VISIT)
    assert check(frame, VISIT) is frame


def test_all_faults_are_said_at_once() -> None:
    """Bounds, words, dates, blanks and a repeated key, each with an example row."""
    frame = conform([GOOD, GOOD | {"visit_id": "b"}, GOOD | {"visit_id": "c"}], VISIT)
    frame["visit_id"] = pd.array(["a", "a", ""], dtype="str")
    frame["kind"] = pd.array(["short", "middling", ""], dtype="str")
    frame["on"] = pd.array(["5.1.2026", "", "2026-01-05"], dtype="str")
    frame["drive_m"] = [-1.0, np.nan, np.inf]
    frame["done"] = pd.array([True, None, False], dtype="boolean")
    with pytest.raises(TableError) as caught:
        check(frame, VISIT)
    message = str(caught.value)
    for part in (
        "visit_id: 1 blank, e.g. in row 2",
        "kind: 1 not short | long, e.g. 'middling' in row 1",
        "on: 1 not YYYY-MM-DD, e.g. '5.1.2026' in row 0",
        "drive_m: 1 blank, e.g. in row 1",
        "drive_m: 2 outside [0, 100] m, e.g. -1 in row 0",
        "done: 1 blank, e.g. in row 1",
        "visit_id: repeated, e.g. a",
    ):
        assert part in message


@pytest.mark.parametrize(
    ("column", "values", "said"),
    [
        ("drive_m", ["5"], "drive_m: holds"),
        ("visit_id", [7], "visit_id: holds int64, wants str"),
        ("stops_count", [1.0], "stops_count: holds float64, wants Int64"),
    ],
)
def test_a_wrong_type_is_named(column: str, values: list[object], said: str) -> None:
    """Text in a number column is a fault, never a cast."""
    frame = conform([GOOD], VISIT)
    frame[column] = values
    with pytest.raises(TableError, match=said):
        check(frame, VISIT)


def test_a_missing_column_is_named() -> None:
    """The contract wants each of its columns."""
    with pytest.raises(TableError, match="kind: column is missing"):
        check(conform([GOOD], VISIT).drop(columns="kind"), VISIT)


def test_what_is_no_number_is_refused_by_name() -> None:
    """conform casts numbers, and says which column it could not cast."""
    with pytest.raises(TableError, match=r"visit\.drive_m: wants number"):
        conform([GOOD | {"drive_m": "far"}], VISIT)


def test_geometry_keeps_its_system_and_its_order() -> None:
    """Rows are sorted together with their shapes; an empty layer has its system too."""
    place = Table("place", "a place", (text("id", "id"),), key=("id",), geometry="point")
    rows = gpd.GeoDataFrame(
        {"id": ["b", "a"]}, geometry=[Point(2, 2), Point(1, 1)], crs="EPSG:25832"
    )
    frame = conform(rows, place)
    assert list(frame["id"]) == ["a", "b"]
    assert [shape.x for shape in frame.geometry] == [1, 2]
    assert frame.crs == "EPSG:25832"
    assert empty(place, crs="EPSG:25832").crs == "EPSG:25832"
    with pytest.raises(TableError, match="wants a point layer"):
        check(pd.DataFrame({"id": pd.array(["a"], dtype="str")}), place)


def test_a_built_frame_shares_nothing_with_what_it_was_built_from() -> None:
    """Each column of the new frame is written over: the old one stays as it was."""
    given = conform([GOOD | {"stops_count": 2}], VISIT)
    before = given.copy()
    for built in (conform(given, VISIT), conform(dict(given.items()), VISIT)):
        assert built is not given
        for name, value in (
            ("kind", "long"),
            ("drive_m", 7.0),
            ("stops_count", 9),
            ("done", False),
        ):
            built.loc[0, name] = value
        assert built.loc[0, "kind"] == "long"
        pd.testing.assert_frame_equal(given, before)


def test_columns_and_rows_and_frames_build_the_same() -> None:
    """Three ways to say the same two rows, in any order, with a blank and a value for all."""
    rows = [GOOD | {"visit_id": "b", "stops_count": 3}, GOOD | {"on": ""}]
    columns = {"visit_id": ["b", "a"], "kind": "short", "on": ["2026-01-05", None], "drive_m": 5,
               "stops_count": [3, None], "done": [True, True]}  # fmt: skip
    wanted = conform(rows, VISIT)
    assert list(wanted["visit_id"]) == ["a", "b"]
    for other in (columns, pd.DataFrame(rows), pd.DataFrame(rows).astype(object)):
        pd.testing.assert_frame_equal(conform(other, VISIT), wanted)
    assert conform({}, VISIT).empty


@pytest.mark.parametrize("count", [1, 300])
@pytest.mark.parametrize(
    ("drive_m", "faulty"),
    [(0.0, False), (100.0, False), (-0.001, True), (100.001, True), (np.inf, True), (np.nan, True)],
)
def test_few_rows_are_held_to_the_same_bounds_as_many(
    count: int, drive_m: float, *, faulty: bool
) -> None:
    """The contract says [0, 100] m and no blank: what breaks it is one row of 1, or of 300."""
    rows = [GOOD | {"visit_id": f"{at:03}"} for at in range(count)]
    rows[count // 2] |= {"drive_m": drive_m}
    if not faulty:
        assert conform(rows, VISIT)["drive_m"][count // 2] == drive_m
        return
    with pytest.raises(TableError, match=f"drive_m: 1 .* row {count // 2}"):
        conform(rows, VISIT)


def test_sound_rows_are_put_in_order_and_numbered_anew() -> None:
    """In a running process too: some rows of a sound table, upside down, are built as ever."""
    with within(Once()):
        sound = conform([GOOD | {"visit_id": name} for name in "abc"], VISIT)
        some = check(sound.iloc[[2, 0]], VISIT)
        built = conform(some, VISIT)
    assert built["visit_id"].tolist() == ["a", "c"]
    assert built.index.tolist() == [0, 1]
    assert some["visit_id"].tolist() == ["c", "a"]
    pd.testing.assert_frame_equal(built, conform(some, VISIT))


@pytest.mark.parametrize("count", [3, 500])
def test_few_texts_are_found_as_many_are(count: int) -> None:
    """The first of two that are alike; what is missing, or not there, is nowhere."""
    known = pd.Series(["b", None, "a", "b", *map(str, range(count))], dtype="str")
    asked = np.array(["a", "b", None, "z", "0"], dtype=object)
    assert places_in(asked, known).tolist() == [2, 0, -1, -1, 4]
    assert places_in(iter(["a"]), known).tolist() == [2]
