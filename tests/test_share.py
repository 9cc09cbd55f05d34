"""Stores on network shares are refused by the kind of the mount above them."""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.errors import StoreError
from planner.store.share import refuse_share

MOUNTS = """22 1 8:1 / / rw - ext4 /dev/sda1 rw
30 22 0:40 / /mnt/town\\040hall rw,relatime shared:5 - cifs //server/town rw
31 30 8:2 / /mnt/town\\040hall/local rw - xfs /dev/sdb1 rw
32 22 0:41 / /home/nfs rw - nfs4 server:/home rw
"""


@pytest.mark.parametrize(
    ("path", "kind"),
    [("/mnt/town hall/a/project.gpkg", "cifs"), ("/home/nfs/project.gpkg", "nfs4")],
)
def test_a_share_is_named_and_postgis_offered(path: str, kind: str) -> None:
    with pytest.raises(StoreError, match=f"network share .{kind}.*PostGIS"):
        refuse_share(Path(path), MOUNTS)


@pytest.mark.parametrize(
    "path", ["/work/project.gpkg", "/mnt/town hall/local/project.gpkg", "/home/nfsx/project.gpkg"]
)
def test_a_local_disk_is_taken(path: str) -> None:
    refuse_share(Path(path), MOUNTS)


def test_a_servers_path_is_refused_where_the_system_says_nothing() -> None:
    with pytest.raises(StoreError, match="network share"):
        refuse_share(Path("\\\\server\\town\\project.gpkg"), "")
