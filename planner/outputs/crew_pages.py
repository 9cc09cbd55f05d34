"""One page per crew for the field: its days and visits, readable on a phone, without a network.

A page is plain HTML without a script, so it opens anywhere and prints as it stands. What it
says is what the run sheets say, gathered by the same functions; the drawings are pictures.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources
from pathlib import Path
from typing import Any

from planner.contracts.facts import RunFacts, Tables
from planner.outputs.palette import day_look
from planner.outputs.plain import BREAK
from planner.outputs.route_drawing import RouteLines, draw_route
from planner.outputs.routes import crew_pages, day_numbers
from planner.outputs.sheet_tables import SheetTables
from planner.outputs.sheets import sheet_data
from planner.tables import records_in

Content = dict[str, Any]
# From where the pages lie; a page that was sent on alone has no map beside it.
MAP = "../map.html"
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'"
)


def write_crew_pages(tables: Tables, facts: RunFacts, folder: Path) -> list[Path]:
    """Write one page per crew into `folder`; names are numbered, never made from data.

    Parameters
    ----------
    tables : Tables
        All tables of the run.
    facts : RunFacts
        Name, units, whether the choices were accepted, whether drives are by air.
    folder : Path
        Made if there is a visit.

    Returns
    -------
    list of Path
        In the order of the crews' names, which is that of their letters on the map.
    """
    look_up, lines = SheetTables.of(tables, facts), RouteLines.of(tables, facts)
    pages, numbers = crew_pages(tables), day_numbers(tables, facts.first_day)
    paths = []
    for crew, visits in tables["visits"].groupby("crew", sort=True):
        days = []
        for day, part in visits.groupby("date", sort=True):
            content = sheet_data(str(crew), str(day), part, tables, facts, look_up)
            look = day_look(numbers[str(day)])
            content["route"] = draw_route(str(crew), records_in(part), lines, look)
            days.append(content)
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / Path(pages[str(crew)]).name
        path.write_text(crew_page(days), "utf-8")
        paths.append(path)
    return paths


def crew_page(days: Sequence[Content]) -> str:
    """Write the days of one crew, each as `sheets.sheet_data` gives it, as a page of its own."""
    first = days[0]
    css = resources.files("planner").joinpath("data/web/plan/crew.css").read_text("utf-8")
    title = _text(f"{first['crew']}, {first['town']}")
    links = [
        f'<li><a href="#day_{n}">{_text(day["weekday"])} {_text(day["date"])}</a> '
        f"{len(day['stops'])} stops</li>"
        for n, day in enumerate(days, start=1)
    ]
    cautions = list(dict.fromkeys(line for day in days for line in day["cautions"]))
    banner = (
        _warn(f"{first['banner']}: nobody has signed these choices.") if first["banner"] else ""
    )
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="color-scheme" content="light dark">',
            f"<title>{title}</title><style>{css}</style></head><body>",
            f"<header><h1>{_text(first['crew'])}</h1><p>{_text(first['town'])}</p></header>",
            f'<nav aria-label="days"><ul>{"".join(links)}'
            f'<li><a href="{MAP}">map of the week</a></li></ul></nav><main>',
            banner,
            f"<details open><summary>Cautions</summary>{_list(cautions)}</details>",
            *(_day(number, day) for number, day in enumerate(days, start=1)),
            f"</main><footer>{_text(first['footer'])}</footer></body></html>",
            "",
        ]
    )


def _day(number: int, day: Content) -> str:
    load = [f"{row['item']}: {row['amount']}" for row in day["load"]]
    load += [f"packer {name}" for name in day["packers"]]
    parts = [
        f'<section id="day_{number}"><h2>{_text(day["weekday"])} {_text(day["date"])}</h2>',
        f"<p>leave yard <b>{_text(day['leave'])}</b>, back <b>{_text(day['back'])}</b>, "
        f"{_text(day['hours'])}, {_text(day['drive'])}</p>",
        *(f"<p>{_text(note)}</p>" for note in day["notes"]),
        _picture(day["route"], "the day's way from the yard, stops by their numbers", "route"),
    ]
    if load:
        parts.append(f"<details open><summary>Load, net</summary>{_list(load)}</details>")
    parts += [_stop(f"day_{number}_stop_{n}", stop) for n, stop in enumerate(day["stops"], start=1)]
    return "\n".join([*parts, "</section>"])


def _stop(name: str, stop: Content) -> str:
    """Write one visit: the place first, then what came before, sleeves, other work."""
    pairs = [
        ("Street", f"{stop['street']}, drive {stop['drive']}"),
        ("Stand at", f"{stop['stand']}, {stop['stand_words']}"),
        ("Other manhole", ", ".join(filter(None, (stop["other"], stop["other_words"])))),
        ("Pipe", f"{stop['pipe']}, {stop['size']}, {stop['material']}, {stop['length']}"),
    ]
    said = [
        "; ".join(filter(None, (one["words"] + ": " + one["state"], one["found"], one["check"])))
        for one in stop["before"]
    ]
    parts = [
        f'<article id="{name}"><h3>{_text(stop["number"])} {_text(stop["start"])} to '
        f"{_text(stop['end'])}, {_text(stop['title'])}</h3>",
        _pairs(pairs),
        *(_warn(note) for note in stop["notes"]),
        _picture(stop["strip"], f"strip of pipe {stop['pipe']}"),
        _titled("Before this", said),
        *(_sleeve(sleeve) for sleeve in stop["sleeves"]),
        *(_block(block) for block in stop["blocks"]),
        _titled("Works", [f"{work['words']} ({work['id']})" for work in stop["works"]]),
    ]
    return "\n".join([*(part for part in parts if part), "</article>"])


def _sleeve(sleeve: Content) -> str:
    pairs = [
        ("Counter", f"{sleeve['counter']} to {sleeve['counter_end']}"),
        ("from manhole", f"{sleeve['counter_node']}, looking {sleeve['looks']}"),
        ("Sleeve", f"{sleeve['size']} x {sleeve['length']}, {sleeve['system']}"),
        ("Make", f"{sleeve['wall']}, {sleeve['resin']}"),
        ("Packer", sleeve["packer"]),
    ]
    at = f" at {sleeve['cure_at']}" if sleeve["cure_at"] else ""
    warned = [sleeve["other_zero"], sleeve["end"], *sleeve["laterals"], *sleeve["cure_faults"],
              sleeve["order_refused"]]  # fmt: skip
    looking = f"clock, looking {sleeve['looks']} from {sleeve['counter_node']}"
    parts = [
        f"<h4>Sleeve {_text(sleeve['id'])}</h4>",
        _pairs(pairs),
        *(_warn(line) for line in warned if line),
        *(f"<p>{_text(line)}</p>" for line in [*sleeve["damages"], sleeve["placed"]] if line),
        _picture(sleeve["inset"], f"two metres about sleeve {sleeve['id']}"),
        _picture(sleeve["clock"], looking, "clock"),
        _titled("Order of work", sleeve["order"], "ol"),
        _titled(f"Times{at}", [f"{words}: {value}" for words, value in sleeve["times"]]),
        _titled("Minute and pressure, the system's own table, as stated",
                [f"{minute}: {pressure}" for minute, pressure in sleeve["steps"]]),
        *(f"<p>{_text(line)}</p>" for line in sleeve["cure_notes"]),
    ]  # fmt: skip
    return "\n".join(part for part in parts if part)


def _block(block: Content) -> str:
    """Write a block of work without a sleeve; what is empty on paper is to be reported back."""
    rows = [" | ".join(filter(None, map(str, row))) for row in block["rows"]]
    asked = [*(block["head"][1:] if rows else []), *block["fields"]]
    parts = [
        f"<h4>{_text(block['title'])}</h4>",
        *(f"<p>{_text(line)}</p>" for line in block["lines"]),
        _list(rows) if rows else "",
        f"<p>Report: {_text('; '.join(map(str, asked)))}</p>" if asked else "",
    ]
    return "\n".join(part for part in parts if part)


def _text(value: object) -> str:
    """Write text as text; where it may break is the page's own affair."""
    return escape(str(value).replace(BREAK, ""), quote=True)


def _pairs(pairs: Iterable[tuple[str, str]]) -> str:
    cells = (f"<dt>{_text(name)}</dt><dd>{_text(value)}</dd>" for name, value in pairs)
    return f"<dl>{''.join(cells)}</dl>"


def _list(lines: Iterable[object], tag: str = "ul") -> str:
    return f"<{tag}>{''.join(f'<li>{_text(line)}</li>' for line in lines)}</{tag}>"


def _titled(title: str, lines: Sequence[object], tag: str = "ul") -> str:
    return f"<h4>{_text(title)}</h4>{_list(lines, tag)}" if lines else ""


def _warn(words: str) -> str:
    return f'<p class="warn">{_text(words)}</p>'


def _picture(svg: str, says: str, kind: str = "strip") -> str:
    """Show a drawing as a picture: nothing in it can run, whatever a name in it holds."""
    if not svg:
        return ""
    data = base64.b64encode(svg.encode("utf-8")).decode("ascii")
    source = f"data:image/svg+xml;base64,{data}"
    return f'<div class="{kind}" tabindex="0"><img src="{source}" alt="{_text(says)}"></div>'
