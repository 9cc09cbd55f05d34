"""A town coded in the PACP family, by a seed; `python -m tests.pacp_town` prints what is referred.

All of it is invented: 120 clay pipes and about 1,500 coded rows in feet and inches, in the
mix and with the blanks that a town of old clay pipes tends to have (assumed, no source): a
value is given where the family asks for one, and forgotten in one row of twelve.
"""

from __future__ import annotations

import csv
import json
import random
import tempfile
from collections import Counter
from pathlib import Path

import pandas as pd

from planner.contracts import DECISIONS
from planner.contracts.verdicts import SPAN_QUANTITIES
from planner.ground.ids import NOTHING_KNOWN
from planner.inputs.project import read_project
from planner.propose import propose
from planner.tables import empty

SEED, PIPES, ROWS = 20260202, 120, 1_500
FORGOTTEN = 1 / 12
# Code, weight, and the value it is coded with: per cent, inches, or none by the family.
MIX = (
    ("CL", 90, ""), ("CC", 70, ""), ("CM", 40, ""), ("FL", 60, ""), ("FC", 35, ""),
    ("FM", 40, ""), ("B", 35, ""), ("BSV", 12, ""), ("H", 15, ""), ("HSV", 10, ""),
    ("JOM", 60, "in"), ("JOL", 20, "in"), ("JSM", 60, "in"), ("JSL", 15, "in"),
    ("JAM", 15, ""), ("RFJ", 150, ""), ("RFB", 20, ""), ("RMJ", 70, "%"), ("RBJ", 25, "%"),
    ("DAE", 70, "%"), ("DAGS", 45, "%"), ("DSF", 70, "%"), ("DSGV", 25, "%"),
    ("OBR", 10, "%"), ("IS", 60, ""), ("IW", 60, ""), ("ID", 35, ""), ("IR", 12, ""),
    ("TB", 150, "in"), ("TBI", 25, "%"), ("TFD", 12, ""), ("DF", 4, "%"), ("SAV", 40, ""),
    ("SRI", 35, ""), ("MWLS", 35, "%"),
)  # fmt: skip


def write_town(folder: Path, *, seed: int = SEED, rows: int = ROWS) -> Path:
    """Write the project: pipes of 6 to 12 in between manholes, one survey of each."""
    draw = random.Random(seed)
    codes, weights, forms = zip(*MIX, strict=True)
    form_of = dict(zip(codes, forms, strict=True))
    features, lines = [], []
    for number in range(PIPES):
        name, up, down = f"{number + 1:04d}", f"M{number}", f"M{number}x"
        feet = draw.randint(180, 380)
        size_in = draw.choice((6, 8, 8, 8, 10, 12))
        y = 5_930_000 + 30.0 * number
        line = [[560_000.0, y], [560_000.0 + (feet * 0.3048 + 0.8) * 1.00002, y]]
        features.append(
            {"type": "Feature",
             "properties": {"pipe_id": name, "us_node": up, "ds_node": down,
                            "size": f'{size_in}"', "material": "VCP"},
             "geometry": {"type": "LineString", "coordinates": line}}
        )  # fmt: skip
        chosen = draw.choices(codes, weights, k=rows // PIPES + (number < rows % PIPES) - 2)
        at = sorted(round(draw.uniform(4, feet - 4), 1) for _ in chosen)
        found = [("AMH", 0.0), *zip(chosen, at, strict=True), ("AMH", float(feet))]
        for code, feet_at in found:
            percent, inches = _value(draw, form_of.get(code, ""))
            joint = "J" if code.endswith("J") or code[:2] in ("JO", "JS", "JA") else ""
            clock = "" if code == "AMH" else str(draw.randint(1, 12))
            lines.append(
                [name, name, up, down, "Downstream", "2025-09-01", f"{feet_at:g}", code, inches,
                 percent, joint, clock, str(feet)]
            )  # fmt: skip
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}
    layer = {"type": "FeatureCollection", "crs": crs, "features": features}
    (folder / "pipes.geojson").write_text(json.dumps(layer))
    with (folder / "rows.csv").open("w", newline="") as stream:
        out = csv.writer(stream)
        out.writerow(
            ["inspection_id", "pipe_id", "upstream_mh", "downstream_mh", "direction", "date",
             "distance [ft]", "code", "value_1", "value_percent", "joint", "clock_from",
             "length_surveyed [ft]"]
        )  # fmt: skip
        out.writerows(lines)
    (folder / "planner.toml").write_text(
        "[project]\nname = 'Clay town'\ninvented = true\nfirst_day = '2026-02-02'\n"
        "[pipes]\nfile = 'pipes.geojson'\n[[inspections]]\nfile = 'rows.csv'\nzero_at = 'wall'\n"
    )
    return folder


def _value(draw: random.Random, form: str) -> tuple[str, str]:
    if not form or draw.random() < FORGOTTEN:
        return "", ""
    if form == "%":
        return str(draw.choice((5, 5, 10, 10, 15, 20, 25, 30, 40))), ""
    return "", str(draw.choice((0.5, 0.75, 1, 1.5, 2, 4)))


def referred(folder: Path) -> pd.DataFrame:
    """Give each span of damage or condition: mechanisms, verdict, and the figure it wants.

    ``wants`` is '' unless the span is referred and a rule about it is undecided for a figure
    that is blank or too wide.
    """
    tables = propose(read_project(folder), NOTHING_KNOWN, empty(DECISIONS)).tables
    found = tables["findings"]
    open_ = found[(found["about"] == "span") & (found["state"] == "undecided")]
    # A figure that is known and falls between two limits is a judgement, not a want of it.
    open_ = open_[open_["column"].isin(SPAN_QUANTITIES) & (open_["low"] != open_["high"])]
    wants = open_.groupby("key")["column"].agg(lambda names: "+".join(sorted(set(names))))
    spans = tables["verdicts"].merge(tables["spans"][["span_id", "mechanisms"]], on="span_id")
    asked = spans["span_id"].map(wants).fillna("")
    return spans.assign(wants=asked.where(spans["verdict"] == "refer", ""))


def main() -> None:
    """Print the share of spans referred, for want of a number and otherwise."""
    with tempfile.TemporaryDirectory() as name:
        spans = referred(write_town(Path(name)))
    total = len(spans)
    refer = spans[spans["verdict"] == "refer"]
    wanting = spans[spans["wants"] != ""]
    print(f"{total} spans; verdicts {Counter(spans['verdict']).most_common()}")
    print(f"referred: {len(refer) / total:.1%}; for want of a number: {len(wanting) / total:.1%}")
    for (kind, wants), count in Counter(
        zip(wanting["mechanisms"], wanting["wants"], strict=True)
    ).most_common(20):
        print(f"  {count:4d} x {kind}: {wants}")
    other = refer[refer["wants"] == ""]
    for (kind, why), count in Counter(
        zip(other["mechanisms"], other["why"].str.slice(0, 90), strict=True)
    ).most_common(12):
        print(f"  {count:4d} x {kind}, not for a number: {why}")


if __name__ == "__main__":
    main()
