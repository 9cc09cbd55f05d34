"""Three-valued answers: no, unknown, yes, on figures that are intervals.

Answers are 0, 1 and 2, so that "all hold" is the least and "one holds" the most
(Kleene's strong logic [1]_). An unknown that cannot tip the whole is thereby ignored.

References
----------
.. [1] S. C. Kleene, *Introduction to Metamathematics*, North-Holland, 1952, sec. 64.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

NO, UNKNOWN, YES = np.int8(0), np.int8(1), np.int8(2)
WORDS = ("no", "undecided", "yes")

Answers = npt.NDArray[np.int8]
Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]


def answers(yes: Marks, no: Marks) -> Answers:
    """Join what is certain to hold and what is certain to fail; the rest is unknown."""
    return np.where(yes, YES, np.where(no, NO, UNKNOWN)).astype(np.int8)


def compare(op: str, low: Numbers, high: Numbers, value: float) -> Answers:
    """Hold the intervals [low, high] against `value`.

    Parameters
    ----------
    op
        One of ``< <= > >= =``.
    low, high
        Least and most that each figure can be; infinite where an end is open.
    value
        What they are held against, in the same unit.

    Examples
    --------
    >>> compare(">", np.array([1.0, 3.0, 6.0]), np.array([2.0, 7.0, 6.0]), 5.0)
    array([0, 1, 2], dtype=int8)
    """
    if op == "<":
        return answers(high < value, low >= value)
    if op == "<=":
        return answers(high <= value, low > value)
    if op == ">":
        return answers(low > value, high <= value)
    if op == ">=":
        return answers(low >= value, high < value)
    return answers((low == value) & (high == value), (low > value) | (high < value))


def within(low: Numbers, high: Numbers, ok: float, ask: float) -> Answers:
    """Hold intervals against a limit: yes up to `ok`, no above `ask`, a person in between."""
    return answers(high <= ok, low > ask)
