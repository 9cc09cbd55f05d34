"""The closing lines of a run: what was found, placed, planned, and what was left over."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from planner.contracts.crews import RANKED
from planner.contracts.facts import RunFacts, Tables
from planner.contracts.verdicts import VERDICT_WORDS, verdict_said
from planner.errors import printable
from planner.ground.money import money
from planner.outputs.wording import DRIVES_LEAVE_OUT, home_s, unstated

SHOWN, WIDE = 12, 150


def summary_lines(tables: Tables, facts: RunFacts) -> list[str]:
    """Say in a few lines what the plan holds.

    Parameters
    ----------
    tables : Tables
        All tables of the run.
    facts : RunFacts
        Name, first day, whether drives are by air, whether the run can be repeated.

    Returns
    -------
    list of str
        Lines for a terminal, without markup.
    """
    undated = "week not dated (set first_day in planner.toml)"
    week = f"week from {facts.first_day}" if facts.first_day else undated
    lines = [f"{facts.name or 'Plan'}, {week}"]
    if facts.not_accepted:
        lines.append("NOT ACCEPTED: proposed choices were taken as accepted, nobody has signed")
    lines += [note] if (note := unstated(tables)) else []
    lines += ["", *_verdicts(tables), *_choices(tables), *_budget(tables)]
    lines += _journal(tables)
    lines += [*_week(tables, facts), *_totals(tables)]
    lines += _left_over(tables)
    return [printable(line) for line in lines]


def _verdicts(tables: Tables) -> list[str]:
    verdicts, spans = tables["verdicts"], tables["spans"]
    counts = verdicts["verdict"].value_counts()
    parts = [
        f"{verdict_said(word)} {counts[word]}" for word in VERDICT_WORDS if counts.get(word, 0)
    ]
    rows = len(tables["observations"])
    placed = len(tables["defects"]) + int((tables["defects"]["close_id"] != "").sum())
    return [
        f"Coded rows: {rows} read, {placed} on a pipe",
        f"Defects:    {len(spans)} places: " + (", ".join(parts) or "none"),
        *_close_calls(tables),
    ]


def _close_calls(tables: Tables) -> list[str]:
    count = int(tables["verdicts"]["close_call"].fillna(value=False).sum())
    if not count:
        return []
    return [f"Close:      {count} verdicts would differ within their figures, or on a limit"]


def _walls(tables: Tables) -> list[str]:
    """Count the walls that the check finds too thin; it is a check for an engineer to sign."""
    states = tables["wall_checks"]["state"].value_counts()
    thin, open_ = int(states.get("no", 0)), int(states.get("undecided", 0))
    if not thin + open_:
        return []
    return [
        f"Walls:      {thin} of {int(states.sum())} sleeves thinner than the design check asks, "
        f"{open_} not settled: see wall_checks"
    ]


def _doubt(tables: Tables) -> list[str]:
    """Sum up what is bought for doubt about places and extents."""
    sleeves = tables["sleeves"]
    metres = float(sleeves["allowance_m"].sum())
    if not metres > 0.0:
        return []
    cents = int(sleeves["allowance_cents"].sum())
    unknown = int(sleeves["allowance_cents"].isna().sum())
    dearer = int((sleeves["allowance_cents"] > 0).sum())
    line = (
        f"Doubt:      {metres:.2f} m of sleeve bought for places and extents not known; "
        f"{dearer} sleeves dearer for it by {cents / 100:.2f}: a look first saves this"
    )
    return [line + (f"; {unknown} not costed" if unknown else "")]


def _passages(tables: Tables) -> list[str]:
    """Count the ways of packers that are barred, open to doubt or not judged."""
    counts = tables["passages"]["answer"].value_counts()
    words = [f"{counts[one]} {one}" for one in ("no", "undecided", "not judged") if one in counts]
    if not words:
        return []
    ways = int(counts.sum())
    return [f"Passages:   {ways} ways from a manhole to a sleeve: {', '.join(words)}; see passages"]


def _choices(tables: Tables) -> list[str]:
    choices, sleeves = tables["choices"], tables["sleeves"]
    states = choices["state"].value_counts()
    parts = ", ".join(f"{states[s]} {s}" for s in sorted(states.index))
    lines = [
        f"Pipes:      {len(choices)} with something to do: {parts or 'none'}",
        f"Sleeves:    {len(sleeves)} placed on pipes where sleeves are the choice or an option",
    ]
    lines += [*_doubt(tables), *_passages(tables), *_walls(tables)]
    held = choices[choices["state"] == "held"]
    by_reason: dict[str, list[str]] = {}
    for pipe, reason in held[["pipe_id", "reason"]].itertuples(index=False):
        by_reason.setdefault(str(reason), []).append(str(pipe))
    told = (f"pipe {_first_and_count(pipes)}: {reason}" for reason, pipes in by_reason.items())
    return lines + _capped(f"{len(held)} pipes held", told, len(by_reason))


def _budget(tables: Tables) -> list[str]:
    """Say what the sum of money does, where one is set."""
    budget, (bound,) = tables["budget"], tables["budget_bound"].to_dict("records") or [{}]
    if not bound.get("sum_cents"):
        return []
    spent, total = (money(int(bound[name])) for name in ("spent_cents", "sum_cents"))
    count = int((budget["year"] > 0).sum())
    share = float(bound["risk_removed"]) / (float(bound["risk"]) or 1.0)
    return [
        f"Budget:     {spent} of {total} on {count} of {len(budget)} pipes removes "
        f"{share:.0%} of the risk; {bound['why']}"
    ]


def _journal(tables: Tables) -> list[str]:
    """Say what the field reported, and what waits for a person because of it."""
    if "events" not in tables or tables["events"].empty:
        return []
    built, proposed, works = tables["as_built"], tables["proposed_works"], tables["works"]
    failed, charged = int(built["failed"].sum()), int(built["chargeable"].sum())
    lines = [
        f"Journal:    {len(tables['events'])} events; {len(built)} sleeves as built, "
        f"{failed} failed, {charged} may be charged"
    ]
    held = works[(works["held"] != "") & (works["state"] == "todo")]
    told = (f"{work} ({step}): {why}" for work, step, why in held[["work_id", "step", "held"]]
            .itertuples(index=False))  # fmt: skip
    lines += _capped(f"{len(held)} works are put off", told, len(held))
    open_ = proposed[proposed["state"] == "proposed"]
    each = (f"{step} on pipe {pipe} after {event}: {why}" for step, pipe, event, why in
            open_[["step", "pipe_id", "event_id", "reason"]].itertuples(index=False))  # fmt: skip
    return lines + _capped(f"{len(open_)} works proposed after failures", each, len(open_))


def _week(tables: Tables, facts: RunFacts) -> list[str]:
    visits = tables["visits"]
    if visits.empty:
        return ["Week:       no visits"]
    lines = ["Week:       crew and day, stops, hours from yard to yard, km driven"]
    for (crew, day), rows in visits.groupby(["crew", "date"], sort=True):
        first, last = rows.iloc[0], rows.iloc[-1]
        leave_s = int(first["arrive_s"]) - int(first["drive_s"])
        hours = (home_s(last.to_dict()) - leave_s) / 3600
        km = (float(rows["drive_m"].sum()) + float(rows["back_m"].sum())) / 1000
        lines.append(f"  {crew:<12} {day}  {len(rows):2d} stops  {hours:4.1f} h  {km:5.1f} km")
    if facts.by_air:
        lines.append("  drives are reckoned by air, not on streets")
    lines.append(f"  {DRIVES_LEAVE_OUT.lower()}")
    lines += _street_doubts(tables)
    if not facts.reproducible:
        lines.append("  not reproducible: the clock stopped the solver")
    lines += _how_good(tables)
    faults = tables["audit"]
    lines.append(f"Audit:      {len(faults)} faults" + (" - see audit.csv" if len(faults) else ""))
    return lines


def _how_good(tables: Tables) -> list[str]:
    """Say how near the week is to the best possible, what is left of it, what more would bring."""
    (bound,) = tables["week_bound"].to_dict("records")
    spare = tables["spare"]
    hours, most = spare["spare_s"].sum() / 3600, spare["most_s"].sum() / 3600
    asked = tables["what_if"]
    gains = (asked["visits_count"] > 0) | (asked["value_s"] > 0)
    lines = [f"How good:   {bound['why']}; {hours:.1f} of {most:.1f} crew hours are spare"]
    lines += [f"  {why}" for why in asked.loc[gains, "why"]]
    if not gains.all():
        lines.append(
            f"  {int((~gains).sum())} other things more would serve nothing more: see what_if"
        )
    return lines


def _street_doubts(tables: Tables) -> list[str]:
    """Show what is doubtful of the streets and of how yards and set-ups tie to them."""
    flags = tables["flags"]
    own = flags[flags["step"] == "travel"]
    # What concerns the whole week comes before single set-ups.
    own = own.sort_values("key", key=lambda keys: keys.str.startswith("set-up"), kind="stable")
    told = (f"{key}: {what}" for key, what in zip(own["key"], own["what"], strict=True))
    return _capped(f"Streets:    {len(own)} doubts", told, len(own))


def _totals(tables: Tables) -> list[str]:
    sums = tables["quantity_sums"]
    lines = []
    for level in ("week", "project"):
        rows = sums[sums["level"] == level]
        net = {kind: int(part["net"].sum()) for kind, part in rows.groupby("kind")}
        pieces, metres = net.get("sleeve", 0), net.get("length", 0) / 1000
        resin = net.get("resin", 0) / 1000
        name = "Net, week:" if level == "week" else "all chosen:"
        lines.append(
            f"{name:<11} {pieces} sleeves, {metres:.2f} sleeve metres, {resin:.1f} kg resin"
        )
    return [*lines, *_ordered(tables), *_billed(tables), *_paid(tables)]


def _ordered(tables: Tables) -> list[str]:
    """Sum up what is ordered for the week of sleeves that come made and of resin."""
    orders = tables["orders"]
    week = orders[(orders["level"] == "week") & orders["to_order"].notna()]
    resin = week[week["item"].str.startswith("resin ")]
    made = int(week.loc[week["item"].str.startswith("sleeve "), "to_order"].sum())
    parts = [f"{made} made sleeves"] if made else []
    if len(resin):
        kilograms = int(resin["to_order"].sum()) / 1000
        parts.append(f"{kilograms:.1f} kg resin for {int(resin['net'].sum()) / 1000:.1f} kg net")
    return [f"To order:   {', '.join(parts)}; see orders"] if parts else []


def _billed(tables: Tables) -> list[str]:
    """Say what the week and all that is accepted cost, and whether a price is missing."""
    sums = {str(row["level"]): row for row in tables["bill_sums"].to_dict("records")}
    parts = []
    for level, name in (("week", "week"), ("project", "all accepted")):
        if level in sums:
            row = sums[level]
            gap = "" if row["complete"] else f", INCOMPLETE: no price for {row['unpriced']}"
            parts.append(f"{name} {money(int(row['sum_cents']))}{gap}")
    return [f"Bill:       {'; '.join(parts)}"] if parts else []


def _paid(tables: Tables) -> list[str]:
    """Say what of the works that are done may be charged, and what nobody said it of."""
    if "pay_sums" not in tables or tables["pay_sums"].empty:
        return []
    row = tables["pay_sums"].iloc[0]
    gap = "" if row["complete"] else f", INCOMPLETE: no price for {row['unpriced']}"
    return [
        f"Pay:        to date {money(int(row['payable_cents']))}, kept back "
        f"{money(int(row['retention_cents']))}, of {money(int(row['installed_cents']))} "
        f"installed in {row['lines_count']} works; {row['unknown_count']} not said to be "
        f"chargeable{gap}"
    ]


def _left_over(tables: Tables) -> list[str]:
    lines = []
    for name, title in (
        ("unserved", "set-ups not served this week"),
        ("waiting", "works not ready"),
    ):
        rows = tables[name]
        reasons = rows["reason"].str.split(RANKED, regex=False).str[0].value_counts()
        lines += _capped(
            f"{len(rows)} {title}", (f"{n} x {why}" for why, n in reasons.items()), len(reasons)
        )
    left = tables["left_over"]
    keys: dict[tuple[str, str], list[str]] = {}
    for step, key, reason in left[["step", "key", "reason"]].itertuples(index=False):
        keys.setdefault((str(step), str(reason)), []).append(str(key))
    lines += _capped(
        f"{len(left)} rows or things left over",
        (f"{step} {_first_and_count(own)}: {reason}" for (step, reason), own in keys.items()),
        len(keys),
    )
    return lines


def _first_and_count(keys: list[str]) -> str:
    return keys[0] if len(keys) == 1 else f"{keys[0]} and {len(keys) - 1} like it"


def _capped(head: str, items: Iterable[str], count: int) -> list[str]:
    if not count:
        return []
    shown = [
        f"  {textwrap.shorten(item, WIDE, placeholder=' ...')}"
        for _, item in zip(range(SHOWN), items, strict=False)
    ]
    if count > SHOWN:
        shown.append(f"  ... and {count - SHOWN} more, all in the tables")
    return [head + ":", *shown]
