"""Links from a map to the photos and videos of the project."""

from __future__ import annotations

from urllib.parse import quote

# A run and a check lie two folders below the project: out/0001 and out/check.
_UP = "../../"


def media_link(path: str) -> str:
    """Write the way to a file of the project, every sign of its name as data.

    Parameters
    ----------
    path
        Relative to the project folder, '' for none.

    Examples
    --------
    >>> media_link("media/a b.jpg"), media_link("")
    ('../../media/a%20b.jpg', '')
    """
    return _UP + quote(path) if path else ""
