"""Screening where people set a limit of its own for single spans."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from planner.contracts import FINDINGS, FLAGS, SPANS, VERDICTS
from planner.errors import RulebookError
from planner.held import Held, held
from planner.screening.rulebook import Rulebook, with_limits
from planner.screening.screen import Screened, screen
from planner.tables import conform

Limits = Mapping[str, tuple[float, str]]


def screen_with_own(
    spans: pd.DataFrame | Held,
    pipes: pd.DataFrame | Held,
    rulebook: Rulebook,
    own: Mapping[str, Limits],
    *,
    defects: pd.DataFrame | Held | None = None,
) -> tuple[Screened, pd.DataFrame]:
    """Screen all spans by the book, and those with limits of their own by these.

    Parameters
    ----------
    spans, pipes, rulebook, defects
        As for `screen.screen`.
    own
        ``{span_id: {"rule.column.end": (figure, who and why)}}``.

    Returns
    -------
    screened, flags
        As `screen.screen`; `FLAGS` for limits that the book does not have, or that are not
        of a rule about spans: these are not applied.
    """
    found = screen(spans, pipes, rulebook, defects=defects)
    if not own:
        return found, conform([], FLAGS)
    rows = held(spans, SPANS).frame
    groups: dict[tuple[tuple[str, tuple[float, str]], ...], list[str]] = {}
    for span_id, limits in own.items():
        groups.setdefault(tuple(sorted(limits.items())), []).append(span_id)
    parts, flags = list[tuple[list[str], Screened]](), list[dict[str, str]]()
    for some, ids in groups.items():
        try:
            book = with_own(rulebook, dict(some))
        except RulebookError as error:
            flags += [{"step": "decisions", "key": key, "what": str(error)} for key in ids]
            continue
        part = screen(rows[rows["span_id"].isin(ids)], pipes, book, defects=defects)
        parts.append((ids, part))

    def verdicts() -> pd.DataFrame:
        said = found.verdicts
        for ids, part in parts:
            said = pd.concat([said[~said["span_id"].isin(ids)], part.verdicts])
        return conform(said, VERDICTS)

    def findings() -> pd.DataFrame:
        said = found.findings
        for ids, part in parts:
            about = (said["about"] == "span") & said["key"].isin(ids)
            own_said = part.findings[part.findings["about"] == "span"]
            said = pd.concat([said[~about], own_said])
        return conform(said, FINDINGS)

    return Screened(verdicts, findings), conform(flags, FLAGS)


def with_own(rulebook: Rulebook, limits: Limits) -> Rulebook:
    """Give the book with limits that a person set for one span.

    Raises
    ------
    RulebookError
        If the book has no such figure, or the rule is not about spans.
    """
    about = {rule.id: rule.about for rule in rulebook.rules}
    for key in limits:
        rule = key.partition(".")[0]
        if about.get(rule, "span") != "span":
            message = f"limit {key}: a rule about a {about[rule]}, not about single spans"
            raise RulebookError(message)
    return with_limits(rulebook, limits)
