"""The whole way on a real city's mains, with surveys, crews and prices invented here.

Network: two layers of a public sewer works contract in ../shared/samples, in degrees, with
one-part multi-lines, ids like ``28,998``, sizes like ``2'-6" x 3'-9"``, and 17 of 37
lines drawn against their nodes by the manhole layer alone.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from playwright.sync_api import sync_playwright
from pypdf import PdfReader

from planner.folder import accept_form, run_project, write_run
from planner.inputs.project import read_project
from planner.inputs.report import check_lines
from planner.outputs.summary import summary_lines
from planner.plan import Plan
from planner.rule_spans import place_rows
from tests.conftest import BROWSER_FLAGS

PROJECT = """
[project]
name = "Works 2977"
units = "us"
currency = "USD"
first_day = "2026-01-12"
[week]
iterations = 300
[pipes]
file = "mains.geojson"
units = {size = "in"}
[pipes.columns]
pipe_id = "INST_ID"
us_node = "START_NODE"
ds_node = "END_NODE"
size = "PIPE_DIA"
material = "PIPE_MATL"
[nodes]
file = "manholes.geojson"
[nodes.columns]
node_id = "NODE_ID"
[[inspections]]
file = "surveys.csv"
zero_at = "wall"
"""
CREWS = """
[[crew]]
crew = "Sleeves"
steps = ["flow_control", "sleeve", "reopen", "verify"]
systems = ["glass-light"]
packers = ["8 to 12"]
yard_x = -122.4010
yard_y = 37.7235
[[crew.shift]]
days = ["mon", "tue", "wed", "thu", "fri"]
start = "07:00"
end = "16:00"
[[crew]]
crew = "Jetting"
steps = ["check_access", "clean", "clean_again", "cut_roots", "look"]
yard_x = -122.4010
yard_y = 37.7235
[[crew.shift]]
days = ["mon", "tue", "wed", "thu", "fri"]
start = "07:00"
end = "16:00"
"""
SYSTEMS = """
[[system]]
system = "glass-light"
cure = "light"
supply = "made_before"
carrier = "glass"
set_by = "camera"
[[system.size]]
dn_from_mm = 200
dn_to_mm = 310
wall_mm = 3.5
plies = 3
resin_kg_per_l = 0.8
lengths_m = [0.6, 1.0, 1.5, 2.0]
[[system.process]]
dn_to_mm = 310
wall_c = 0
prepare_s = 2100
cure_s = 900
finish_s = 600
[[system.process]]
dn_to_mm = 310
wall_c = 30
prepare_s = 2100
cure_s = 900
finish_s = 600
[[packer]]
packer = "8 to 12"
dn_from_mm = 200
dn_to_mm = 310
usable_m = 2.2
reach_m = 150
cures = ["light"]
"""
EACH = {"sleeve": (2400, 200), "liner": (9000, 300), "dig": (15000, 3000), "reopen": (300, 0)}
PRICES = "\n".join(
    f'[[price]]\nprice_id = "{item}"\nitem = "{item}"\ndn_from_mm = 0\ndn_to_mm = 2000\n'
    f"each = {each}\nincluded_m = 1.0\nextra_per_m = {more}\n"
    for item, (each, more) in EACH.items()
)


def survey_rows(network: pd.DataFrame) -> list[str]:
    """Film eight round pipes of 8 to 12 inches, every other one from the far end."""
    rows = ["inspection_id,pipe_id,start_node,date,s_m,code,char1,char2,q1,clock_from_h,joint"]
    small = network[network["dn_mm"].between(200, 310) & (network["drawn_m"] > 12)]
    for number, pipe in enumerate(small.head(8).itertuples()):
        start = pipe.ds_node if number % 2 else pipe.us_node
        length = pipe.drawn_m - 0.8
        head = f'R{number},{pipe.pipe_id},"{start}",2025-11-03'
        rows += [
            f"{head},0,BCD,A,,,,",
            f"{head},{length * 0.3:.2f},BAB,C,A,6,12,",
            f"{head},{length * 0.45:.2f},BCA,A,A,150,3,",
            f"{head},{length * 0.6:.2f},BAJ,A,,22,,A",
            f"{head},{length * 0.6:.2f},BBA,B,,5,12,A",
            f"{head},{length:.2f},BCE,A,,,,",
        ]
    return rows


@pytest.fixture(scope="module")
def city(samples: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("city")
    source = samples / "networks" / "sf_sewer_works"
    shutil.copyfile(source / "mains_2977J.geojson", folder / "mains.geojson")
    shutil.copyfile(source / "manholes_2977J.geojson", folder / "manholes.geojson")
    for name, text in (("planner", PROJECT), ("crews", CREWS), ("systems", SYSTEMS)):
        (folder / f"{name}.toml").write_text(text, "utf-8")
    (folder / "prices.toml").write_text(PRICES, "utf-8")
    surveys = folder / "surveys.csv"
    surveys.write_text("inspection_id,pipe_id,start_node,date,s_m,code\n", "utf-8")
    network = read_project(folder).pipes
    surveys.write_text("\n".join(survey_rows(network)) + "\n", "utf-8")
    filmed = network[network["dn_mm"].between(200, 310) & (network["drawn_m"] > 12)].head(6)
    nodes = sorted(set(filmed["us_node"]) | set(filmed["ds_node"]))
    steps = (("clean", 8), ("cut_roots", 8), ("clean_again", 9), ("look", 9))
    done = [
        "step,pipe_id,node_id,done_on,by",
        *(f'check_access,,"{node}",2026-01-07,Jetting' for node in nodes),
        *(
            f"{step},{pipe_id},,2026-01-{day:02d},Jetting"
            for pipe_id in filmed["pipe_id"]
            for step, day in steps
        ),
    ]
    (folder / "done.csv").write_text("\n".join(done) + "\n", "utf-8")
    return folder


@pytest.fixture(scope="module")
def plan(city: Path) -> Plan:
    """Decide the referred spans for a sleeve, accept what is proposed, plan."""
    head = "pipe_id,span_id,decision,by,on,reason"
    spans = run_project(city).tables["verdicts"]
    referred = spans[(spans["verdict"] == "refer") & (spans["sleeve"] != "closed")]
    rows = [f"{p},{s},sleeve,A. B.,2026-01-08,seen" for p, s in
            referred[["pipe_id", "span_id"]].itertuples(index=False)]  # fmt: skip
    (city / "spans.csv").write_text("\n".join([head, *rows]) + "\n", "utf-8")
    accept_form(city, city / "spans.csv")
    choices = run_project(city).tables["choices"]
    rows = [f"{p},,accept,A. B.,2026-01-08,as proposed" for p in
            choices.loc[choices["state"] == "proposed", "pipe_id"]]  # fmt: skip
    (city / "pipes.csv").write_text("\n".join([head, *rows]) + "\n", "utf-8")
    accept_form(city, city / "pipes.csv")
    return run_project(city)


def test_all_mains_are_read_and_their_faults_named(city: Path) -> None:
    """37 in, 37 kept; lines turned by their nodes; ids with a comma are text; books balance."""
    inputs = read_project(city)
    located = place_rows(inputs)
    lines = check_lines(inputs, located.flags, located.left_over, located.defects)
    assert len(inputs.pipes) == 37
    assert "28,998" in set(inputs.pipes["us_node"]) | set(inputs.pipes["ds_node"])
    turned = inputs.flags["what"].str.contains("drawn against its nodes").sum()
    assert turned >= 17
    books = [line for line in lines if line.startswith("books: ")]
    assert len(books) >= 4
    assert not [line for line in books if "DO NOT BALANCE" in line]
    assert [line for line in lines if "wait for [streets]" in line]


def test_sizes_are_read_or_refused_by_name(samples: Path, city: Path) -> None:
    """12" is 304.8 mm; 2'-6" x 3'-9" keeps both its numbers and has no nominal size."""
    raw = json.loads((samples / "networks/sf_sewer_works/mains_2977J.geojson").read_text("utf-8"))
    size = {f["properties"]["INST_ID"]: f["properties"]["PIPE_DIA"] for f in raw["features"]}
    pipes = read_project(city).pipes.set_index("pipe_id")
    for pipe_id, text in size.items():
        row = pipes.loc[pipe_id]
        if re.fullmatch(r'\d+"', text):
            assert row["dn_mm"] == pytest.approx(float(text[:-1]) * 25.4, abs=0.1)
    odd = next(pipe_id for pipe_id, text in size.items() if text == "2'-6\" x 3'-9\"")
    # 2 ft 6 in = 762 mm wide, 3 ft 9 in = 1143 mm high
    assert pipes.loc[odd, ["width_mm", "height_mm"]].tolist() == [762.0, 1143.0]
    assert pd.isna(pipes.loc[odd, "dn_mm"])


def test_sleeves_are_planned_and_travel_is_by_air(plan: Plan) -> None:
    """Accepted sleeves become visits; without streets each output says so of the drives."""
    tables = plan.tables
    assert len(tables["sleeves"]) >= 8
    assert (tables["visits"]["crew"] == "Sleeves").any()
    assert tables["audit"].empty
    assert plan.facts.by_air
    assert bool(tables["visits"]["by_air"].all())
    assert any("by air" in line for line in summary_lines(tables, plan.facts))


def test_map_and_sheets_say_what_they_rest_on(
    plan: Plan, city: Path, chromium: str, tmp_path: Path
) -> None:
    """The map opens without a network and without a complaint; sheets are in feet and inches."""
    out = write_run(plan, city)
    asked, said = [], []
    with sync_playwright() as play:
        browser = play.chromium.launch_persistent_context(
            tmp_path / "profile", executable_path=chromium, headless=True, args=BROWSER_FLAGS
        )
        page = browser.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: said.append(message.text))
        page.goto((out / "map.html").as_uri())
        text = page.inner_text("body")
        browser.close()
    assert asked == [(out / "map.html").as_uri()]
    assert said == []
    assert "by air" in text
    sheets = sorted((out / "sheets").glob("*.pdf"))
    assert sheets
    words = " ".join(p.extract_text() for s in sheets for p in PdfReader(s).pages)
    assert "by air" in words
    assert " ft" in words
    assert " in," in words
