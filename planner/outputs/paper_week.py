"""The weekly report: hours used, quantities by day, what the ways cost; small charts."""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

from planner.contracts.repairs import SIGNED, WAY_WORDS
from planner.outputs.handover import Column, Paper
from planner.outputs.palette import INK, LOOKS, SLEEVE_COLOUR
from planner.outputs.paper_words import Desk, day_words
from planner.outputs.routes import route_totals
from planner.tables import records_in

_WIDE, _LINE, _LABEL, _RIGHT = 520.0, 20.0, 150.0, 74.0


def weekly_report(desk: Desk, fill_s: dict[tuple[str, str], int]) -> Paper:
    """Sum up the week for whoever answers for it.

    Parameters
    ----------
    desk
        The run.
    fill_s
        What each crew may plan on each date [s].
    """
    routes = sorted({(str(stop["crew"]), str(stop["date"])) for stop in desk.stops})
    totals = {route: route_totals(desk.tables, *route) for route in routes}
    rows = []
    for (crew, day), total in totals.items():
        most = fill_s.get((crew, day), 0)
        used = (
            f"{total.time_s / 3600:.1f} of {most / 3600:.1f}"
            if most
            else f"{total.time_s / 3600:.1f}"
        )
        rows.append(
            (crew, day_words(day), str(total.stops), str(total.sleeves),
             desk.metres(total.sleeve_mm / 1000), f"{total.resin_g / 1000:.1f}", used,
             f"{total.drive_m / 1000:.1f}")
        )  # fmt: skip
    columns = (
        Column("Crew", 1.1), Column("Day", 1.4), Column("Stops", 0.7, figure=True),
        Column("Sleeves", 0.8, figure=True), Column("Sleeve length", 1.0, figure=True),
        Column("Resin, kg", 0.9, figure=True), Column("Hours", 1.2, figure=True),
        Column("Drive, km", 0.9, figure=True),
    )  # fmt: skip
    return Paper(
        "weekly_report", "The week", "owner, manager",
        "What is planned, what it takes, and what it costs.",
        columns, rows, "No crew drives this week.",
        notes=_notes(desk), charts=_charts(desk, totals, fill_s),
    )  # fmt: skip


def _notes(desk: Desk) -> Sequence[str]:
    sums = {str(row["level"]): row for row in records_in(desk.tables["bill_sums"])}
    notes = []
    for level, words in (("week", "This week"), ("project", "All accepted")):
        if level in sums:
            gap = (
                ""
                if sums[level]["complete"]
                else f" INCOMPLETE: no price for {sums[level]['unpriced']}."
            )
            amount = f"{desk.money(sums[level]['sum_cents'])} {desk.facts.currency}".strip()
            notes.append(f"{words}: {amount}.{gap}")
    late = len(desk.tables["unserved"])
    waiting = len(desk.tables["waiting"])
    notes.append(f"{late} set-ups found no place this week, {waiting} works wait for others.")
    return notes


def _charts(desk: Desk, totals: dict, fill_s: dict[tuple[str, str], int]) -> list[tuple[str, str]]:  # type: ignore[type-arg]
    hours = [
        (f"{crew}, {day_words(day)[:3]}", total.time_s / 3600, fill_s.get((crew, day), 0) / 3600)
        for (crew, day), total in totals.items()
    ]
    days: dict[str, float] = {}
    for (_, day), total in totals.items():
        days[day] = days.get(day, 0.0) + total.sleeves
    sleeves = [(day_words(day), count, 0.0) for day, count in sorted(days.items())]
    charts = [
        ("Hours of each day, yard to yard; the mark is what may be planned", _bars(hours, "h", 1)),
        ("Sleeves by day", _bars(sleeves, "", 0)),
        (f"Cost of the ways accepted, {desk.currency}", _bars(_ways(desk), "", 0)),
    ]
    return [(title, svg) for title, svg in charts if svg]


def _ways(desk: Desk) -> list[tuple[str, float, float]]:
    choices = desk.tables["choices"]
    signed = choices[choices["state"].isin(SIGNED) & choices["cost_cents"].notna()]
    sums = signed.groupby("method")["cost_cents"].sum()
    named = [(method, WAY_WORDS.get(str(method), str(method))) for method in sums.index]
    return [(words, int(sums[method]) / 100, 0.0) for method, words in named]


def _bars(rows: Sequence[tuple[str, float, float]], unit: str, digits: int) -> str:
    """Draw bars along the page: name, bar, figure at its end; a mark where a limit is."""
    most = max((max(value, limit) for _, value, limit in rows), default=0.0)
    if not most:
        return ""
    scale = (_WIDE - _LABEL - _RIGHT) / most
    high = len(rows) * _LINE + 6
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE:.0f} {high:.0f}" '
        f'width="{_WIDE:.0f}" height="{high:.0f}" font-family="DejaVu Sans" font-size="10.5">'
    ]
    for at, (name, value, limit) in enumerate(rows):
        y = at * _LINE + 3
        wide = value * scale
        parts.append(
            f'<text x="{_LABEL - 6:.0f}" y="{y + 12:.1f}" text-anchor="end" fill="{INK}">'
            f"{escape(name[:26])}</text>"
            f'<rect x="{_LABEL:.0f}" y="{y + 2:.1f}" width="{wide:.1f}" height="12" '
            f'fill="{SLEEVE_COLOUR}"/>'
        )
        if limit:
            x = _LABEL + limit * scale
            parts.append(
                f'<line x1="{x:.1f}" y1="{y:.1f}" x2="{x:.1f}" y2="{y + 16:.1f}" '
                f'stroke="{LOOKS["dig"].colour}" stroke-width="2"/>'
            )
        text = f"{value:,.{digits}f} {unit}".strip()
        x = _LABEL + max(wide, limit * scale) + 5
        parts.append(f'<text x="{x:.1f}" y="{y + 12:.1f}" fill="{INK}">{text}</text>')
    return "".join([*parts, "</svg>"])
