"""The estimator's desk over HTTP: what moves, who may change a price, what is refused, files."""

from __future__ import annotations

import csv
import io
import re
import shutil
from pathlib import Path

import openpyxl
import pytest
from estimator_town import EVIL, EVIL_ID, SECOND, client, decide, write_bare_run, write_town
from starlette.testclient import TestClient

from planner.folder import run_project
from planner.review.live import Live

ROUTE = "North|2026-01-12"
PAGES = ("/estimator", "/estimator/week", "/estimator/prices", "/estimator/drivers")


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small town with both pipes accepted and a run of it; read only."""
    folder = write_town(tmp_path_factory.mktemp("planned") / "town")
    live = Live.open(folder)
    for pipe in ("0017", SECOND):
        assert decide(live, pipe, "accept") == []
    write_bare_run(run_project(folder), folder)
    return folder


@pytest.fixture
def live(planned: Path, tmp_path: Path) -> Live:
    """A copy of it on the page."""
    shutil.copytree(planned, tmp_path / "town")
    return Live.open(tmp_path / "town")


@pytest.fixture(scope="module")
def still(planned: Path, tmp_path_factory: pytest.TempPathFactory) -> Live:
    """One copy for the tests that leave it as it is."""
    folder = tmp_path_factory.mktemp("still") / "town"
    shutil.copytree(planned, folder)
    return Live.open(folder)


def polled(page: TestClient, url: str, at: str) -> str:
    """Give the address by which an open page asks for news."""
    found = re.search(rf'hx-get="({at}[^"]*)"', page.get(url).text)
    assert found
    return found.group(1).replace("&amp;", "&")


def rows_of(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text)))


def typed(each: str = "1300", **more: str) -> dict[str, str]:
    given = {"price_id": EVIL_ID, "each_cents": each, "extra_cents_per_m": "260.00"}
    return {**given, "least_cents": "0", "reason": "resin is dearer", "seen": "0", **more}


def test_every_page_is_there_and_nothing_from_data_is_markup(still: Live) -> None:
    """Also what explains a figure, for each figure that can be clicked."""
    page = client(still)
    for url in (*PAGES, "/estimator/week?route=rest", f"/estimator/week?route={ROUTE}"):
        text = page.get(url).text
        asked = [one.replace("&amp;", "&") for one in re.findall(r'hx-get="([^"]+)"', text)]
        explained = [page.get(one) for one in asked if "why" in one or "form" in one]
        assert {one.status_code for one in explained} <= {200}
        both = text + "".join(one.text for one in explained)
        assert "<img" not in both
        assert "<script>" not in both
        assert "<b " not in both
        assert " style=" not in both
        assert "Not there any more" not in both
    assert EVIL.replace("<", "&lt;").split(" ")[0] in page.get("/estimator/prices").text


def test_totals_move_when_another_decides_and_are_silent_otherwise(still: Live) -> None:
    """204 with the token that the page holds; figures once somebody takes an acceptance back.

    Accepted, all in: 2 x 2167.60 + 1000 and 5 % of 5335.20 = 5601.96; then 3167.60 x 1.05.
    """
    page = client(still)
    assert "5,601.96" in page.get("/estimator").text
    url = polled(page, "/estimator", "/estimator/totals")
    assert page.get(url).status_code == 204
    assert decide(still, SECOND, "hold", by="A. Vance") == []
    answer = page.get(url)
    assert answer.status_code == 200
    assert "3,325.98" in answer.text
    assert "pipe 0018&lt;b" in answer.text
    assert [decide(still, SECOND, word) for word in ("undo", "accept")] == [[], []]
    for url in ("/estimator/drivers/figures?seen=x&of=open", "/estimator/drivers?of=nonsense"):
        assert page.get(url).status_code == 200


def test_a_price_is_changed_with_who_and_why(live: Live) -> None:
    """1200 -> 1300: two sleeves accepted, 200 more, with 5 % 210; then it is read anew.

    Who still saw 1200 is refused, and shown what the other did; what was typed stays.
    """
    page = client(live)
    news = polled(page, "/estimator/prices", "/estimator/prices/news")
    assert page.get(news).status_code == 204
    answer = page.post("/estimator/prices", data=typed())
    assert answer.status_code == 200
    assert "+210.00" in answer.text
    assert "1,300.00" in answer.text
    other = page.get(news)
    assert other.status_code == 200
    assert 'hx-swap-oob="true"' in other.text
    assert "by E. Noor on" in other.text
    edits = live.store.read_price_edits()
    assert edits[["by", "reason", "old_cents", "new_cents"]].to_numpy().tolist() == [
        ["E. Noor", "resin is dearer", 1200_00, 1300_00]
    ]
    assert "5,811.96" in page.get("/estimator").text
    assert "Prices were changed" in page.get("/estimator").text
    stale = page.post("/estimator/prices", data=typed("1400", seen="nonsense"))
    assert stale.status_code == 409
    assert "changed meanwhile by E. Noor" in stale.text
    assert "1,200.00 -&gt; 1,300.00" in stale.text
    assert 'value="1400"' in stale.text
    assert 'name="seen" value="1"' in stale.text
    assert len(live.store.read_price_edits()) == 1
    live.read_anew()
    assert "Prices were changed" not in page.get("/estimator").text
    assert "5,811.96" in page.get("/estimator").text
    assert "resin is dearer" in page.get("/log").text


@pytest.mark.parametrize(
    ("change", "status", "said"),
    [
        ({"each_cents": "12 hundred"}, 422, "whole cents"),
        ({"each_cents": "1200"}, 422, "no amount differs"),
        ({"reason": "  "}, 422, "Why the price changes"),
        ({"price_id": "gone"}, 404, "no such price"),
    ],
)
def test_what_is_no_change_is_refused(
    still: Live, change: dict[str, str], status: int, said: str
) -> None:
    answer = client(still).post("/estimator/prices", data=typed(**change))
    assert answer.status_code == status
    assert said in answer.text
    assert still.store.read_price_edits().empty


@pytest.mark.parametrize("role", ["reader", "engineer", "planner"])
def test_who_may_not_price_sees_no_field_and_is_refused(still: Live, role: str) -> None:
    page = client(still, role)
    text = page.get("/estimator/prices").text
    assert "1,200.00" in text
    assert "Change</button>" not in text
    assert page.post("/estimator/prices", data=typed()).status_code == 403
    assert page.get("/estimator/prices/form?price_id=dig-0").status_code == 403
    assert still.store.read_price_edits().empty
    allowed = client(still, "estimator").get("/estimator/prices/form?price_id=dig-0")
    assert 'value="7000.00"' in allowed.text


def test_an_order_says_how_it_came_about(still: Live) -> None:
    """Resin of both sleeves, mixed for each: 5172 and 6492 g, a tenth waste upward 518 and 650, a
    batch loses 400: 11664 + 1168 + 800 = 13632 g. No kit is stated, so nothing is rounded."""
    page = client(still)
    text = page.get("/estimator/week/why?of=order&key=rest&item=resin+felt").text
    assert "net 11.664 kg + waste 1.168 kg + batch loss 0.800 kg" in text
    assert "= 13.632 kg to order" in text
    text = page.get(f"/estimator/week/why?of=net&key={ROUTE}&item=cleaning").text
    assert "78.400 m" in text
    assert "39.200 m" in text
    asked = {"of": "bill", "key": ROUTE, "item": "clean", "system": "", "price_id": "clean-0",
             "note": ""}  # fmt: skip
    text = page.get("/estimator/week/why", params=asked).text
    assert "435.20" in text  # two pipes at 100 + 39.2 x 3
    assert "0017" in text
    assert "Not there any more" in page.get("/estimator/week/why?of=net&key=x&item=y").text
    for of in ("thing", "line", "work", "method", "pipe", "nonsense"):
        answer = page.get("/estimator/why", params={"of": of, "item": "no such"})
        assert "Not there any more" in answer.text


def test_files_open_and_run_nothing(still: Live) -> None:
    """The workbook of the run; CSVs whose figures stay figures and whose text starts no formula."""
    page = client(still)
    book = page.get("/estimator/files/totals.xlsx")
    assert "attachment" in book.headers["content-disposition"]
    assert "Prices" in openpyxl.load_workbook(io.BytesIO(book.content)).sheetnames
    files = {name: rows_of(page.get(f"/estimator/files/{name}.csv").text)
             for name in ("totals", "bill", "prices", "week", "drivers")}  # fmt: skip
    assert all(len(rows) > 1 and len({len(row) for row in rows}) == 1 for rows in files.values())
    cells = [cell for rows in files.values() for row in rows for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@"))]
    assert f"'{EVIL_ID}" in cells
    at = files["totals"][0].index("accepted")
    found = {row[1]: row[at] for row in files["totals"]}
    assert found["sleeve length"] == "4000"
    sleeve = next(row for row in files["bill"] if row[0] == "sleeve")
    assert sleeve[files["bill"][0].index("cents_accepted")] == "292000"
    assert ["rest", "rest", "resin felt", "g", "11664", "1168", "800", "0", "0", "13632"] in [
        row[:10] for row in files["week"]
    ]


def test_without_prices_and_without_a_run_it_says_so(tmp_path: Path) -> None:
    """No price, no plan, nothing accepted: every page stands and says what is missing."""
    live = Live.open(write_town(tmp_path / "bare", prices=""))
    page = client(live)
    totals = page.get("/estimator").text
    assert "There are no prices" in totals
    # What nothing prices is no amount: the sum, and the lines of the three other states.
    cards = re.findall(r'data-k="c-[a-z]+">\s*([^<]*?)\s*<', totals)
    assert cards == ["not costed"] * 4
    assert "There are no prices" in page.get("/estimator/prices").text
    assert "No plan was made yet" in page.get("/estimator/week").text
    assert "Nothing costs anything here yet" in page.get("/estimator/drivers").text
    assert "Nothing is accepted yet" in page.get("/estimator").text
    assert page.get("/estimator/files/totals.xlsx").status_code == 404
    assert page.get("/estimator/files/week.csv").status_code == 404
    for name in ("totals", "bill", "prices", "drivers"):
        assert page.get(f"/estimator/files/{name}.csv").status_code == 200
    asked = "/estimator/week/why?of=order&key=rest&item=x"
    assert "Not there any more" in page.get(asked).text


def test_a_sum_that_lacks_a_price_says_so_beside_each_of_its_two_places(
    still: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every line is taken for one without a price: the card names the items, the sum is marked."""
    page = client(still)
    assert "INCOMPLETE" not in page.get("/estimator").text
    monkeypatch.setattr("planner.review.totals_views.is_gap", lambda _: True)
    text = page.get("/estimator").text
    card = text.partition('data-k="c-all"')[2].partition("</div>")[0]
    assert re.search(r"INCOMPLETE: no price for [a-z ,]*sleeve", card)
    row = text.partition('data-k="b-all"')[2].partition("</tr>")[0]
    assert "INCOMPLETE" in row
