"""Shape and size from text, from numbers, or from both."""

import math
from pathlib import Path

import pytest
from layer_files import line, spec, write_geojson

from planner.inputs.attributes import Reading
from planner.inputs.profiles import read_profiles
from planner.inputs.vector import read_layer

NAN = math.nan
FIGURES = ["height_mm", "width_mm", "dn_mm"]


def profile(tmp_path: Path, row: dict, units: dict | None = None):
    """Read one pipe; give its shape, figures and the faults."""
    write_geojson(tmp_path / "a.geojson", [(row, line((0, 0), (9, 0)))])
    columns = {name: name for name in row}
    layer = read_layer(spec("a.geojson"), tmp_path)
    reading = Reading(layer, columns, units or {})
    found = read_profiles(reading).iloc[0]
    return found["shape"], found[FIGURES].tolist(), reading.faults


@pytest.mark.parametrize(
    ("row", "shape", "figures"),
    [
        ({"size": "DN 200"}, "circular", [200, 200, 200]),
        ({"size": "300x450"}, "other", [450, 300, NAN]),
        ({"size": "300x450", "shape": "EGG"}, "egg", [450, 300, NAN]),
        ({"height_mm": 450.0, "width_mm": 300.0, "shape": "egg"}, "egg", [450, 300, NAN]),
        ({"height_mm": 300.0, "width_mm": 0.0, "shape": "CIRCULAR"}, "circular", [300, 300, 300]),
        ({"height_mm": 300.0}, "circular", [300, 300, 300]),
        ({"height_mm": 300.0, "width_mm": 300.0}, "circular", [300, 300, 300]),
        ({"height_mm": 300.0, "width_mm": 300.0, "shape": "box"}, "box", [300, 300, NAN]),
        ({"height_mm": 600.0, "width_mm": 400.0}, "other", [600, 400, NAN]),
        ({"dn_mm": 200.0}, "circular", [200, 200, 200]),
        ({"dn_mm": 0.0}, "unknown", [NAN, NAN, NAN]),
        ({"dn_mm": 200.0, "shape": "unknown"}, "unknown", [NAN, NAN, 200]),
        # A figure of its own outranks the text.
        ({"dn_mm": 250.0, "size": "DN 200"}, "circular", [250, 250, 250]),
        ({"shape": "circular"}, "circular", [NAN, NAN, NAN]),
        ({"material": "clay"}, "unknown", [NAN, NAN, NAN]),
    ],
)
def test_shape_and_figures(tmp_path: Path, row, shape, figures):
    """Only a round pipe takes a nominal size from its height; nothing is guessed."""
    found_shape, found, faults = profile(tmp_path, row)
    assert found_shape == shape
    assert found == pytest.approx(figures, nan_ok=True)
    # Two figures without a shape: which is the width stays a question.
    assert [fault.wanted for fault in faults] == (
        ["width and height by name; taken as width x height, which the text does not say"]
        if row.get("size") == "300x450" and "shape" not in row
        else []
    )


@pytest.mark.parametrize(
    ("row", "shape", "column", "word"),
    [
        ({"size": "8/10"}, "unknown", "size", "'8/10' names two sizes"),
        ({"size": None}, "unknown", "size", "a size such as DN 200"),
        ({"size": "8"}, "unknown", "size", "8 mm, which no sewer is"),
        ({"size": "DN 200", "shape": "egg"}, "egg", "size", "since the shape is egg"),
        ({"size": "300x450", "shape": "circular"}, "unknown", "size", "one size if circular"),
        ({"size": "DN 200", "shape": "wobbly"}, "unknown", "shape", "circular | egg | box"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_named(tmp_path: Path, row, shape, column, word):
    """The pipe is kept, without a nominal size where the shape is in doubt."""
    found_shape, figures, (fault, *_) = profile(tmp_path, row)
    assert found_shape == shape
    assert math.isnan(figures[2]) or shape == "unknown"
    assert (fault.column, fault.lost) == (column, False)
    assert word in fault.wanted


def test_units_of_the_file(tmp_path: Path):
    """Heights in metres, sizes in inches."""
    row = {"height_mm": 0.45, "width_mm": 0.3, "shape": "egg"}
    _, figures, _ = profile(tmp_path, row, {"height_mm": "m", "width_mm": "m"})
    assert figures == pytest.approx([450, 300, NAN], nan_ok=True)
    _, figures, _ = profile(tmp_path, {"size": "8"}, {"size": "in"})
    assert figures == [203.2, 203.2, 203.2]


def test_a_column_that_bears_our_name_needs_no_naming(tmp_path: Path):
    """``size`` as text is read whether or not planner.toml names it: 8 in are 203.2 mm."""
    write_geojson(tmp_path / "p.geojson", [({"pipe_id": "a", "size": '8"'}, line((0, 0), (9, 0)))])
    asked = spec("p.geojson")
    layer = read_layer(asked, tmp_path)
    found = read_profiles(Reading(layer, asked.columns, asked.units))
    assert found["height_mm"].tolist() == [203.2]
