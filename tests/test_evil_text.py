"""Any text a file may hold goes the whole way as text: no output runs it, none is named by it."""

from __future__ import annotations

import csv
import re
import subprocess
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd
import pytest
from evil_project import Evil, write_events, write_evil, write_form
from pypdf import PdfReader, PdfWriter
from pypdf.actions import JavaScript
from pypdf.annotations import Link

from planner.contracts import TABLES
from planner.folder import accept_form, check_project, run_project, write_run
from planner.journal import report_form
from planner.outputs.files import RISKY, plain_text
from tests.conftest import BROWSER_FLAGS, need

CASES = {
    "markup": Evil(
        before="\u202e",
        after='</script><img src=x onerror="window.pwn=1">\' \u0661\u05d0\u200f \U0001f6bd e\u0301',
    ),
    "formula": Evil(before='=HYPERLINK("http://x")&', after="\t=1"),
    "at": Evil(before="@SUM(1)", after=';" {{7*7}}{% raw %}'),
    "typeset": Evil(before="#", after="$x$ *bold* #let a = 1 `c` // \\ <b>"),
    "path": Evil(before="../../", after="/..\\..\\con:|?*"),
}
NAMES = re.compile(
    r"(map\.html|break_even\.svg|plan\.gpkg|run\.json|totals\.xlsx|sheets|crews|tables|parquet|styles|papers"
    r"|sheets/[\w.-]+\.pdf|tables/\w+\.csv|parquet/\w+\.parquet|styles/\w+\.qml"
    r"|crews/crew_\d+\.html|papers/\w+\.(pdf|csv))"
)


@dataclass(frozen=True)
class Made:
    """What one evil town gave."""

    evil: Evil
    tables: dict[str, pd.DataFrame]
    said: list[str]
    out: Path


@pytest.fixture(scope="module", params=list(CASES))
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    return whole_way(tmp_path_factory.mktemp("evil"), CASES[request.param])


@pytest.fixture(scope="module")
def made_long(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Ten thousand signs behind a line end in every field."""
    return whole_way(tmp_path_factory.mktemp("long"), Evil("<b>", f"\n{'x' * 10_000}"))


def whole_way(folder: Path, evil: Evil) -> Made:
    """Check, report, decide, plan and write a town that holds a text everywhere."""
    folder = write_evil(folder, evil)
    checked = check_project(folder)
    said = report_form(folder, write_events(folder, evil), "2026-01-11")
    assert said[-1] == "3 events taken, 0 refused, 0 known already"
    said += accept_form(folder, write_form(folder, evil))
    plan = run_project(folder)
    return Made(evil, plan.tables, checked.lines + said, write_run(plan, folder))


def test_the_town_goes_the_whole_way(made: Made) -> None:
    """The text hinders nothing: both decisions are taken, the sleeve is on the week's list."""
    assert made.said[-1] == "2 decisions taken, 0 refused or known"
    assert made.tables["visits"]["crew"].tolist() == [made.evil.of("North")]
    assert made.tables["sleeves"]["pipe_id"].tolist() == [made.evil.of("P1")]
    assert len(made.tables["audit"]) == 0
    assert all(line.isprintable() for line in made.said)


def test_no_file_is_named_by_data(made: Made) -> None:
    found = [path.relative_to(made.out).as_posix() for path in made.out.rglob("*")]
    assert [name for name in found if not NAMES.fullmatch(name)] == []
    parents = {path.name for path in made.out.parent.iterdir()}
    assert parents == {"0001", "check"}


def test_no_cell_can_run_and_each_comes_back(made: Made) -> None:
    for table in (one for one in TABLES if one.name in made.tables):
        with (made.out / "tables" / f"{table.name}.csv").open(newline="", encoding="utf-8") as file:
            rows = list(csv.DictReader(file))
        frame = made.tables[table.name]
        assert len(rows) == len(frame)
        for column in table.columns:
            if column.kind not in ("text", "date"):
                continue
            cells = [row[column.name] for row in rows]
            assert not [cell for cell in cells if cell.startswith(RISKY[:-1])]
            assert [plain_text(cell) for cell in cells] == frame[column.name].tolist()


def test_the_sheet_shows_the_text_itself(made: Made) -> None:
    """Signs without a glyph and turned text aside: what is typed is what is printed."""
    sheets = sorted((made.out / "sheets").glob("*.pdf"))
    assert len(sheets) == 1
    text = "".join(page.extract_text() for page in PdfReader(sheets[0]).pages)
    bare = re.sub(r"\s", "", text)
    if made.evil.before != "\u202e":
        assert re.sub(r"\s", "", made.evil.of("North")) in bare
        assert re.sub(r"\s", "", made.evil.of("A")) in bare


# Columns of text that people write, of tables that this town fills.
WRITTEN = {
    "pipes": ("pipe_id", "us_node", "ds_node", "material", "area"),
    "nodes": ("node_id", "street"),
    "streets": ("name",),
    "observations": ("remark", "photo", "video"),
    "systems": ("system", "source"),
    "materials": ("material", "source"),
    "parts": ("part", "source"),
    "order_of_work": ("say",),
    "conditions": ("source",),
    "packers": ("packer",),
    "prices": ("price_id", "source", "place"),
    "choices": ("by", "reason"),
    "crews": ("crew", "systems", "packers"),
    "windows": ("source",),
    "closed": ("street", "why"),
    "weather": ("source",),
    "permits": ("number", "street"),
    "notices": ("address", "by"),
    "done": ("by",),
    "events": ("by", "crew", "system", "lot", "photo", "note"),
    "stock_moves": ("lot",),
    "lots": ("lot", "note"),
    "picks": ("lot",),
}


def test_every_field_that_takes_text_holds_it(made: Made) -> None:
    """So that what follows speaks of all of them."""
    word = made.evil.after.strip()
    for name, columns in WRITTEN.items():
        for column in columns:
            found = made.tables[name][column].astype(str)
            # Braces in a line of work ask for a figure: such a list is refused, and says so.
            told = column == "say" and "{" in word and (made.tables[name]["refused"] != "").all()
            assert told or found.str.contains(word, regex=False).any(), (name, column)


def steering(path: Path) -> set[str]:
    """Give what a PDF may do beyond being read: keys and kinds of action in any object."""
    reader = PdfReader(path)
    found: set[str] = set()

    def look(thing: object) -> None:
        if isinstance(thing, dict):
            found.update(str(key) for key in thing)
            found.update(str(v) for k, v in thing.items() if k in ("/S", "/Subtype", "/Type"))
        for part in thing.values() if isinstance(thing, dict) else thing:  # type: ignore[attr-defined]
            if isinstance(part, dict | list):
                look(part)

    for number in range(int(reader.trailer["/Size"])):  # type: ignore[call-overload]
        thing = reader.get_object(number) if number else reader.trailer
        if isinstance(thing, dict | list):
            look(thing)
    return found & ACTIONS


ACTIONS = {
    "/JavaScript", "/JS", "/Launch", "/OpenAction", "/AA", "/URI", "/EmbeddedFile",
    "/EmbeddedFiles", "/Filespec", "/GoToR", "/GoToE", "/SubmitForm", "/ImportData", "/RichMedia",
    "/XFA", "/AcroForm", "/Annots", "/Link",
}  # fmt: skip


def test_steering_is_seen_where_it_is(tmp_path: Path) -> None:
    """Two files by another hand: one runs a script when opened, one carries a file and a link."""
    script, carrier = PdfWriter(), PdfWriter()
    for writer in (script, carrier):
        writer.add_blank_page(100, 100)
    script.add_open_action(JavaScript("app.alert(1)"))
    carrier.add_attachment("a.txt", b"a")
    carrier.add_annotation(0, Link(rect=(0, 0, 9, 9), url="http://x"))
    for name, writer in (("script", script), ("carrier", carrier)):
        writer.write(tmp_path / f"{name}.pdf")
    assert {"/JavaScript", "/JS"} <= steering(tmp_path / "script.pdf")
    assert {"/EmbeddedFile", "/URI", "/Annots"} <= steering(tmp_path / "carrier.pdf")


def test_no_pdf_does_anything(made: Made) -> None:
    """No script, no start of a program, no link, no file within, no form: paper to be read."""
    pdfs = sorted(made.out.rglob("*.pdf"))
    assert len(pdfs) == 10
    assert {path.name: steering(path) for path in pdfs if steering(path)} == {}


def printed(path: Path) -> str:
    """Give the text of a PDF without blanks, as pdftotext reads it."""
    command = [need("pdftotext"), "-raw", str(path), "-"]
    done = subprocess.run(command, capture_output=True, check=True)
    return re.sub(r"\s|\u00ad", "", done.stdout.decode("utf-8"))


def bare(text: str) -> str:
    """Give what must be found of a text: signs that turn or are no glyph stand as others."""
    return re.sub(r"\s", "", re.split(r"[^\x00-\x7f]", text)[0])


def test_each_pdf_prints_the_text(made: Made) -> None:
    """Evil cells of each paper's CSV stand in its PDF too, and in the sheet what a crew needs."""
    (sheet,) = (made.out / "sheets").glob("*.pdf")
    text, of = printed(sheet), made.evil.of
    before = "" if made.evil.before == "\u202e" else made.evil.before
    crews_words = ("North", "A", "B", "Lane", "P1", "clay", "felt", "pack", "L-1", "Town")
    order = () if "{" in made.evil.after else ("Rope on",)
    for word in (*crews_words, *order):
        assert bare(before + word + made.evil.after) in text, word
    seen = 0
    for path in sorted((made.out / "papers").glob("*.csv")):
        if path.name == "papers.csv":
            continue
        with path.open(newline="", encoding="utf-8") as file:
            cells = [plain_text(cell) for row in list(csv.reader(file))[1:] for cell in row]
        text = printed(path.with_suffix(".pdf"))
        for cell in cells:
            if of("") in cell or cell in (of("P1"), of("Lane"), of("North"), of("because")):
                seen += 1
                assert bare(cell.lstrip("\u202e")) in text, (path.name, cell)
    assert seen >= 10


CALC = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
# As a CSV may be opened at worst: quoted cells are not held as text, formulas are reckoned.
CSV_AT_WORST = "CSV:44,34,76,1,,0,false,true,false,false,false,0,true"
OUR_FORMULA = re.compile(
    r"of:=(?:(?:ROUND|SUM|SUMIFS|MAX|MIN|ABS|INT|MOD|IF)\(|\[[\w$.: ]+\]|[\d.]+"
    r"|\"(?:>0|yes)\"|[-+*/();=<>])+"
)


def opened(
    soffice: str, folder: Path, files: list[Path], *more: str
) -> dict[str, ElementTree.Element]:
    """Open files in LibreOffice Calc and give what it takes them for, by their name."""
    home = folder / "profile"
    command = [soffice, f"-env:UserInstallation=file://{home}", "--headless", *more,
               "--convert-to", "fods", "--outdir", str(folder), *map(str, files)]  # fmt: skip
    subprocess.run(command, check=True, capture_output=True, timeout=240)
    return {path.stem: ElementTree.parse(folder / f"{path.stem}.fods").getroot() for path in files}


def formulas(sheet: ElementTree.Element) -> list[str]:
    return [
        cell.attrib[f"{CALC}formula"] for cell in sheet.iter() if f"{CALC}formula" in cell.attrib
    ]


def reaching_out(sheet: ElementTree.Element) -> list[str]:
    """List links, scripts, linked tables and objects of an opened file."""
    kinds = ("table-source", "dde-link", "dde-source", "a", "event-listener", "object",
             "database-range", "object-ole", "plugin", "applet", "image",
             "cell-range-source")  # fmt: skip
    found = [one.tag for one in sheet.iter() if one.tag.rpartition("}")[2] in kinds]
    libraries = [one for one in sheet.iter() if one.tag.rpartition("}")[2] == "libraries"]
    linked = [key for one in sheet.iter() for key in one.attrib if key.endswith("}href")]
    return found + linked + [child.tag for one in libraries for child in one]


@pytest.mark.office
def test_libreoffice_takes_no_cell_for_a_formula(made: Made, tmp_path: Path, soffice: str) -> None:
    """The book has our formulas and no others, the CSVs none; nothing links or runs.

    A CSV of a formula in quotes, opened the same way, is a formula: the test sees them.
    """
    if made.evil.before not in ('=HYPERLINK("http://x")&', "@SUM(1)"):
        pytest.skip("these cells begin as no formula does")
    (book,) = opened(soffice, tmp_path, [made.out / "totals.xlsx"]).values()
    own = formulas(book)
    assert len(own) > 20
    assert [one for one in own if not OUR_FORMULA.fullmatch(one)] == []
    assert reaching_out(book) == []
    control = tmp_path / "control.csv"
    control.write_text('"a"\n"=1+1"\n', "utf-8")
    files = [control, *sorted(made.out.rglob("*.csv"))]
    sheets = opened(soffice, tmp_path, files, f"--infilter={CSV_AT_WORST}")
    assert formulas(sheets.pop("control")) == ["of:=1+1"]
    assert len(sheets) > 80
    assert {name: formulas(one) for name, one in sheets.items() if formulas(one)} == {}
    assert {name: reaching_out(one) for name, one in sheets.items() if reaching_out(one)} == {}


@pytest.mark.browser
def test_the_crews_page_runs_nothing_of_it(made: Made, chromium: str) -> None:
    """A page without a script: what is typed is what is read, in dark signs too."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=BROWSER_FLAGS)
        page = browser.new_page(viewport={"width": 390, "height": 844})
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: asked.append(message.text))
        (name,) = (made.out / "crews").iterdir()
        page.goto(name.as_uri())
        assert [one for one in asked if not one.startswith("data:image/svg")] == [name.as_uri()]
        assert page.evaluate("window.pwn") is None
        assert page.locator("script, iframe, svg, img:not([src^='data:image/svg'])").count() == 0
        out = page.locator("a:not([href^='#'])")
        assert [out.nth(at).get_attribute("href") for at in range(out.count())] == ["../map.html"]
        if made.evil.before != "\u202e":
            words = "".join((page.locator("h1").text_content() or "").split())
            # A very long name is cut there, and says so.
            assert "".join(made.evil.of("North")[:200].split()) in words
        browser.close()


@pytest.mark.browser
def test_the_map_runs_nothing_of_it(made: Made, chromium: str) -> None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=BROWSER_FLAGS)
        for name in (made.out / "map.html", made.out.parent / "check" / "map.html"):
            page = browser.new_page(viewport={"width": 1300, "height": 850})
            trouble: list[str] = []
            page.on("dialog", lambda dialog, trouble=trouble: trouble.append(dialog.message))
            page.on("console", lambda message, trouble=trouble: trouble.append(message.text))
            page.on("pageerror", lambda error, trouble=trouble: trouble.append(str(error)))
            page.on("request", lambda request, trouble=trouble: trouble.append(request.url))
            page.goto(name.as_uri())
            for click in range(-2, 3):
                page.mouse.click(850 + 60 * click, 425)
            page.wait_for_timeout(200)
            assert trouble == [name.as_uri()]
            assert page.evaluate("window.pwn") is None
            assert page.locator("img, iframe, svg, a[href^=javascript]").count() == 0
            words = "".join((page.locator("h1").text_content() or "").split())
            assert "".join(made.evil.of("Town").split()) in words
            page.close()
        browser.close()


def test_ten_thousand_signs_behind_a_line_end_go_the_whole_way(made_long: Made) -> None:
    """Tables hold them whole; what is printed is cut and stays a few pages, one day's sheet."""
    test_the_town_goes_the_whole_way(made_long)
    test_no_file_is_named_by_data(made_long)
    test_no_cell_can_run_and_each_comes_back(made_long)
    test_no_pdf_does_anything(made_long)
    pages = {one.name: len(PdfReader(one).pages) for one in made_long.out.rglob("*.pdf")}
    assert len(pages) > 5
    assert max(pages.values()) <= 8, pages


@pytest.mark.browser
def test_maps_and_crews_pages_hold_ten_thousand_signs(made_long: Made, chromium: str) -> None:
    test_the_map_runs_nothing_of_it(made_long, chromium)
    test_the_crews_page_runs_nothing_of_it(made_long, chromium)
