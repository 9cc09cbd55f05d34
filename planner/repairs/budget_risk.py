"""The risk of one pipe, likelihood x consequence, with each factor in words.

The figures are of the settings and assumed: they put pipes in an order, they are no
probability. What is not known counts as the worst of its kind.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.contracts.facts import Tables
from planner.contracts.verdicts import URGENCY
from planner.ground.sewer import make_graph, upstream_lengths
from planner.settings import Budget

Reals = npt.NDArray[np.float64]


def risk_of(tables: Tables, pipe_ids: pd.Series, settings: Budget) -> pd.DataFrame:
    """Give the risk of pipes.

    Likelihood: of the pipe's spans the worst, by the figure of its urgency times that of
    its need. Consequence: 1 + weight x share of the network's length that lies upstream
    (the pipe itself counted), times the factor of the street class, times the user's own.

    Parameters
    ----------
    tables
        Of it: pipes, nodes, verdicts.
    pipe_ids
        Pipes asked for, each once.
    settings
        The figures.

    Returns
    -------
    risk
        Columns pipe_id, risk, why; in the order of `pipe_ids`.
    """
    pipes = tables["pipes"].set_index("pipe_id").reindex(pipe_ids)
    likely, said = _likelihood(tables["verdicts"], pipe_ids, settings)
    share, lies = _upstream(tables, pipe_ids)
    above = 1 + settings.upstream_weight_ratio * share
    street, where = _street(pipes["street_class"], settings)
    user, own = _user(pipes["consequence_ratio"], tables["pipes"]["consequence_ratio"])
    risk = likely * above * street * user
    weight = settings.upstream_weight_ratio
    why = [
        f"risk {total:.4g} = likelihood {one} x consequence (1 + {weight:g} x {two}){three}{four}"
        for total, one, two, three, four in zip(risk, said, lies, where, own, strict=True)
    ]
    return pd.DataFrame({"pipe_id": pipe_ids.to_numpy(), "risk": risk, "why": why})


def _likelihood(
    verdicts: pd.DataFrame, pipe_ids: pd.Series, settings: Budget
) -> tuple[Reals, list[str]]:
    """Take the worst span of each pipe; of equals the first by id."""
    by_urgency = {word: getattr(settings, f"likelihood_{word}_ratio") for word in URGENCY if word}
    # No rule gave an urgency: then the span counts as the worst would.
    by_urgency[""] = max(by_urgency.values())
    by_need = {
        "mend": settings.mend_ratio,
        "unknown": max(settings.mend_ratio, settings.watch_ratio, settings.maintain_ratio),
        "watch": settings.watch_ratio,
        "maintain": settings.maintain_ratio,
        "nothing": 0.0,
    }
    rows = verdicts.loc[verdicts["pipe_id"].isin(set(pipe_ids))]
    figure = rows["urgency"].map(by_urgency).to_numpy(float) * rows["needs"].map(by_need).to_numpy(
        float
    )
    rows = rows.assign(figure=figure).sort_values(
        ["figure", "span_id"], ascending=[False, True], kind="stable"
    )
    worst = rows.drop_duplicates("pipe_id").set_index("pipe_id").reindex(pipe_ids)
    likely = worst["figure"].fillna(0.0).to_numpy(float)
    said = [
        f"{number:.3g} ({span}: {need}{_urgency(need, urgency)})"
        if isinstance(span, str)
        else "0 (no span)"
        for number, span, need, urgency in zip(
            likely, worst["span_id"], worst["needs"], worst["urgency"], strict=True
        )
    ]
    return np.asarray(likely, dtype=float), said


def _urgency(need: str, urgency: str) -> str:
    if need == "nothing":
        return ""
    return f", {urgency or 'urgency not known, taken as the worst'}"


def _upstream(tables: Tables, pipe_ids: pd.Series) -> tuple[Reals, list[str]]:
    """Give the share of the network's length above each pipe, and say it."""
    pipes = tables["pipes"]
    length = pipes["length_m"].fillna(pipes["drawn_m"]).fillna(pipes["stated_m"])
    # A pipe without any length counts as the mean of the others.
    length = length.fillna(length.mean()).fillna(1.0)
    lengths = dict(zip(pipes["pipe_id"].astype(str), length.astype(float), strict=True))
    graph = make_graph(pipes, tables["nodes"])
    above = upstream_lengths(graph, lengths, [str(one) for one in pipe_ids])
    share: Reals = above / max(float(length.sum()), 1e-9)
    known = np.isfinite(share)
    worst = float(share[known].max()) if known.any() else 1.0
    said = [
        f"{part:.3g} of the network's length lies upstream"
        if here
        else f"{worst:.3g}: what lies upstream is not known, taken as the most of any pipe"
        for part, here in zip(share, known, strict=True)
    ]
    return np.asarray(np.where(known, share, worst), dtype=float), said


def _street(classes: pd.Series, settings: Budget) -> tuple[Reals, list[str]]:
    """Give the factor of the street class; one that is not named counts as the largest."""
    table = settings.class_ratio
    if not table:
        return np.ones(len(classes)), [""] * len(classes)
    largest = max(table.values())
    factor = classes.map(table).fillna(largest).to_numpy(float)
    said = [
        f" x {number:g} (street class {name})"
        if name in table
        else f" x {number:g} (street class {name or 'not known'}, taken as the largest)"
        for number, name in zip(factor, classes, strict=True)
    ]
    return np.asarray(factor, dtype=float), said


def _user(values: pd.Series, everywhere: pd.Series) -> tuple[Reals, list[str]]:
    """Give the user's factor; a blank beside others that are filled counts as the largest."""
    if everywhere.isna().all():
        return np.ones(len(values)), [""] * len(values)
    largest = max(float(everywhere.max()), 1.0)
    said = [
        f" x {largest:g} (consequence_ratio is blank, taken as the largest)"
        if blank
        else f" x {value:g} (consequence_ratio)"
        for value, blank in zip(values, values.isna(), strict=True)
    ]
    return np.asarray(values.fillna(largest), dtype=float), said
