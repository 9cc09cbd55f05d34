"""The schema of the team's store: its migrations in order, and which of them were run."""

from __future__ import annotations

from functools import cache
from importlib import resources

from planner.ground.postgis import Session, quoted

_FOLDER = "data/store"


@cache
def migrations() -> dict[int, list[str]]:
    """Give the statements of each migration by its number, from 1 on, with ``@schema@`` in them."""
    found = {}
    home = resources.files("planner").joinpath(_FOLDER)
    for path in sorted(home.iterdir(), key=lambda path: path.name):
        if path.name.endswith(".sql"):
            parts = path.read_text("utf-8").split("\n\n")
            found[int(path.name[:4])] = [one for one in parts if _code(one)]
    return found


def _code(part: str) -> str:
    """Give a part without its lines of comment."""
    lines = [line for line in part.splitlines() if not line.startswith("--")]
    return "\n".join(lines).strip()


def schema_state(session: Session, schema: str) -> tuple[int, int]:
    """Give the version of a store's schema, 0 = none is there, and the one that is wanted."""
    wanted = max(migrations())
    table = quoted(schema, "schema_versions")
    there = session.value("select to_regclass($1)::text", [table])
    if there is None:
        return 0, wanted
    return int(str(session.value(f"select max(number)::bigint from {table}") or 0)), wanted
