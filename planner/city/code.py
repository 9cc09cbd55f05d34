"""Which code runs: a worker of another version must not take part."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

import planner
from planner.city.filing import CityError

_KINDS = (".py", ".toml", ".csv")
# What may change what is read, the figures, or the bytes of a result.
_LIBRARIES = ("geopandas", "shapely", "pyproj", "pyogrio", "openpyxl", "pandas", "numpy", "pyarrow",
              "numba", "scipy", "pyvrp", "ortools")  # fmt: skip


@cache
def code_mark() -> str:
    """Give version and digest of the package as it lies here, with the libraries it reckons by."""
    digest = hashlib.sha256()
    home = Path(planner.__file__).parent
    for path in sorted(home.rglob("*")):
        if path.suffix in _KINDS and path.is_file():
            digest.update(path.relative_to(home).as_posix().encode())
            digest.update(path.read_bytes())
    for name in _LIBRARIES:
        digest.update(f"{name} {version(name)}".encode())
    return f"{version('sleeveplan')} {digest.hexdigest()[:12]}"


def same_code(wanted: str) -> None:
    """Go on only with the code that made the parts.

    Raises
    ------
    CityError
        Naming both versions.
    """
    if code_mark() != wanted:
        message = (
            f"a worker has another version of sleeveplan or of its libraries: {code_mark()}, the "
            f"run {wanted}; install the same on every host"
        )
        raise CityError(message)
