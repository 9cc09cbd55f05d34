"""Grades of a pipe in one line for a person, each with its scheme; nothing is compared."""

from __future__ import annotations

import pandas as pd

# The one figure of each scheme that a line has room for; all stand in tables/grades.csv.
_SHORT = ("quick rating", "worst class", "largest points", "peak per m")


def grade_texts(grades: pd.DataFrame) -> dict[str, str]:
    """Give by pipe what each scheme says in short.

    Parameters
    ----------
    grades
        Obeys `GRADES`.

    Returns
    -------
    texts
        ``PACP family structural 5132 (unverified); handbook classes overall 2 of 1 (worst)
        to 5``, inspections of a pipe one after another.
    """
    part = grades[grades["measure"].isin(_SHORT)]
    found: dict[str, list[str]] = {}
    for row in part.itertuples(index=False):
        doubt = "" if row.verified else " (unverified)"
        text = f"{row.scheme} {row.requirement} {row.shown}{doubt}"
        lines = found.setdefault(str(row.pipe_id), [])
        if text not in lines:
            lines.append(text)
    return {pipe: "; ".join(lines) for pipe, lines in found.items()}
