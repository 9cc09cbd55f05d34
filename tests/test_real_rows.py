"""The default book on real coded rows: what share it sleeves and refers, and by which rule."""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd
import pytest

from planner.contracts import LATERALS, NODES, PIPES
from planner.ground.ids import NOTHING_KNOWN
from planner.inputs.observations import read_observations
from planner.inputs.specs import InspectionSpec
from planner.screening.locate import locate
from planner.screening.rulebook import load_rulebook
from planner.screening.screen import Screened, screen
from planner.screening.spans import Spanned, make_spans
from planner.settings import load_settings
from planner.tables import conform, empty

HEADER = ("AAK", "AAB", "AAF", "AAD", "ABF", "ABQ", "ACB")
ROW = {"I": "s_m", "A": "code", "B": "char1", "C": "char2", "D": "q1", "G": "clock_from_h",
       "H": "clock_to_h", "K": "joint", "F": "remark", "M": "photo", "J": "stretch"}  # fmt: skip


def in_csv_form(text: str, path: Path) -> pd.DataFrame:
    """Write the rows of the norm's text format as our CSV form; give one row a camera run."""
    heads, rows, names, columns = [], [], [], []
    for line in text.splitlines():
        if line.startswith("#B01="):
            names, columns = line[5:].split(","), []
        elif line.startswith("#C="):
            columns = line[3:].split(",")
        elif line.startswith("#"):
            continue
        elif not columns:
            head = dict(zip(names, line.split(","), strict=True))
            heads.append({key: head[key] for key in HEADER})
        else:
            cells = dict(zip(columns, line.split(","), strict=True))
            head = heads[-1]
            far = head["AAD"] if head["AAB"] == head["AAF"] else head["AAF"]
            rows.append(
                {ROW[key]: value for key, value in cells.items() if key in ROW}
                | {"inspection_id": f"run {len(heads)}", "date": head["ABF"],
                   "start_node": head["AAB"], "end_node": far, "size_mm": head["ACB"],
                   "direction": {"A": "down", "B": "up"}[head["AAK"]],
                   "surveyed_m": head["ABQ"]}
            )  # fmt: skip
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return pd.DataFrame(heads)


@pytest.fixture(scope="module")
def found(samples: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Spanned, Screened]:
    """The rows read, placed, joined and screened; the pipes are made from the runs' heads."""
    folder = tmp_path_factory.mktemp("rows")
    text = (samples / "coding" / "en13508-2_text_kwb_example_anon.txt").read_text("latin-1")
    heads = in_csv_form(text, folder / "rows.csv").drop_duplicates(["AAF", "AAD"])
    # In this file the counter starts at AAF when the camera goes with the flow.
    pipes = conform(
        [
            {"pipe_id": f"{row.AAF}-{row.AAD}", "us_node": row.AAF, "ds_node": row.AAD,
             "shape": "circular", "dn_mm": float(row.ACB), "material": "vitrified clay"}
            for row in heads.itertuples()
        ],
        PIPES,
        crs="EPSG:32633",
    )  # fmt: skip
    surveys = read_observations([InspectionSpec(file=Path("rows.csv"))], folder)
    assert not surveys.faults
    assert len(surveys.observations) == 335
    settings = load_settings().survey
    day = "2010-11-01"
    located = locate(
        pipes, empty(NODES, crs="EPSG:32633"), surveys.inspections, surveys.observations,
        empty(LATERALS), settings, day,
    )  # fmt: skip
    spanned = make_spans(
        located.pipes, located.inspections, located.defects, located.laterals, settings,
        NOTHING_KNOWN, first_day=day,
    )  # fmt: skip
    said = screen(spanned.spans, located.pipes, load_rulebook(), defects=located.defects)
    return spanned, said


def test_the_default_book_leaves_a_sensible_share(
    found: tuple[Spanned, Screened], capsys: pytest.CaptureFixture[str]
) -> None:
    """Sleeves, referrals and upkeep, each referral with its rule, at most a third referred.

    Those are right to refer: a sag coded as the angle of a joint, a connection that is
    itself faulty, a seal that hangs in, strong roots out of a connection, an offset whose
    figure does not settle the method. Nothing is referred for want of a rule.
    """
    spanned, said = found
    table = spanned.spans.merge(said.verdicts, on="span_id")
    damage = table[table["role"] == "damage"]
    referred = damage[damage["verdict"] == "refer"]
    with capsys.disabled():
        print("\nreal EN rows:", damage["verdict"].value_counts().to_dict(), end=" ")
        print("referred by", referred["rules"].value_counts().to_dict())
    assert 0 < len(referred) <= len(damage) / 3
    assert (damage["verdict"] == "sleeve").sum() > len(referred)
    assert {"maintain", "watch"} <= set(table["verdict"])
    assert set("+".join(referred["rules"]).split("+")) <= {
        "refer-angle",
        "refer-connection",
        "refer-seal",
        "roots-refer-lateral",
        "allow-offset-sleeve",
    }
    assert not said.findings["why"].str.contains("no rule").any()


def test_what_must_never_be_sleeved_is_not(found: tuple[Spanned, Screened]) -> None:
    """14 sags in mm stand under the code of an angle; offsets recur along whole pipes."""
    spanned, said = found
    table = spanned.spans.merge(said.verdicts, on="span_id")
    angles = table[table["mechanisms"].str.contains("joint_angle")]
    assert len(angles) > 0
    assert set(angles["verdict"]) == {"refer"}
    repeated = table[table["kind"] == "repeated"]
    assert len(repeated) > 0
    assert set(repeated["sleeve"]) == {"closed"}
    assert set(table.loc[table["role"] == "condition", "verdict"]) <= {"maintain", "none"}


def test_cracks_of_known_width_are_sleeved(found: tuple[Spanned, Screened]) -> None:
    """Widths of 1, 2 and 3 mm: all mended; where nothing else lies there, by a sleeve."""
    spanned, said = found
    table = spanned.spans.merge(said.verdicts, on="span_id")
    cracks = table[table["mechanisms"].isin(["crack", "crack_surface", "fracture"])]
    assert len(cracks) > 5
    assert (cracks["crack_mm_low"] >= 1.0).all()
    assert set(cracks["verdict"]) == {"sleeve"}
