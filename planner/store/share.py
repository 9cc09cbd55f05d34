"""Where a store lies: on a network share the locks of a GeoPackage cannot be relied on."""

from __future__ import annotations

import re
from pathlib import Path

from planner.errors import StoreError

MOUNTS = Path("/proc/self/mountinfo")
# Kinds of file system that other machines write to as well, as Linux names them.
SHARES = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "ncpfs", "afs", "ceph", "glusterfs", "lustre",
     "fuse.sshfs", "fuse.glusterfs", "fuse.s3fs", "davfs", "fuse.davfs2"}
)  # fmt: skip
_ESCAPED = re.compile(r"\\([0-7]{3})")


def refuse_share(path: Path, mounts: str | None = None) -> None:
    """Refuse a store that would lie on a network share.

    Parameters
    ----------
    path
        Of the store; need not be there yet.
    mounts
        What the system says of its mounts, in the form of ``/proc/self/mountinfo``; None to
        ask it. Where it says nothing, only a path that names a server is refused.

    Raises
    ------
    StoreError
        Naming the kind of share.
    """
    if mounts is None:
        mounts = MOUNTS.read_text("utf-8", "replace") if MOUNTS.exists() else ""
    kind = "a server's path" if str(path).startswith("\\\\") else _kind_of(path, mounts)
    if kind in SHARES or kind == "a server's path":
        message = (
            f"{path}: lies on a network share ({kind}), where two writers can damage a "
            "GeoPackage; put the project on a local disk, or share the store in PostGIS"
        )
        raise StoreError(message)


def _kind_of(path: Path, mounts: str) -> str:
    """Give the kind of the file system of the longest mount point above `path`."""
    where = path.resolve()
    best, kind = -1, ""
    for line in mounts.splitlines():
        before, dash, after = line.partition(" - ")
        fields = before.split()
        if not dash or len(fields) < 5:
            continue
        point = Path(_ESCAPED.sub(lambda found: chr(int(found[1], 8)), fields[4]))
        if (point == where or point in where.parents) and len(point.parts) >= best:
            best, kind = len(point.parts), after.split()[0]
    return kind
