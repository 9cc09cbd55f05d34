"""A PostgreSQL server with PostGIS for the tests alone: own folder, one socket, no port."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

_PLACES = ("/usr/lib/postgresql/15/bin", "/usr/lib/postgresql/16/bin", "/usr/lib/postgresql/17/bin")
ACCOUNT = "postgres"
READER = "town_reader"
GUARDED = "guarded"  # asked for a password


@dataclass(frozen=True)
class Server:
    """A server that runs; `sql` talks to it as its owner, `services` names it to libpq."""

    bin: Path
    folder: Path

    @property
    def services(self) -> Path:
        """Give the service file: who owns the server, may read, is asked for a password.

        `absent` does not answer; `bare` is a database without PostGIS.
        """
        return self.folder / "services.conf"

    def serve(self, name: str, user: str, base: str = "postgres", place: str = "") -> None:
        """Add a service to the file."""
        with self.services.open("a") as file:
            file.write(f"[{name}]\nhost={place or self.folder}\nuser={user}\ndbname={base}\n")

    def sql(self, text: str) -> str:
        """Run SQL as the owner; give what it prints."""
        psql = [str(self.bin / "psql"), "-h", str(self.folder), "-v", "ON_ERROR_STOP=1", "-qAt"]
        run = [*_as_account(), *psql, "-U", ACCOUNT, "-d", "postgres", "-f", "-"]
        return subprocess.run(run, input=text, check=True, capture_output=True, text=True).stdout


def programs() -> Path:
    """Find the server's programs; skip where they are absent, fail in CI."""
    for place in map(Path, _PLACES):
        if (place / "initdb").exists():
            return place
    if os.environ.get("CI"):
        pytest.fail("PostgreSQL is missing though .ci/run installs it")
    pytest.skip("no PostgreSQL 15 with PostGIS is installed")


@contextmanager
def running() -> Iterator[Server]:
    """Run a server until the block ends."""
    bin_ = programs()
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))
    try:
        if os.geteuid() == 0:
            shutil.chown(folder, ACCOUNT)
        data, ctl = folder / "data", [*_as_account(), str(bin_ / "pg_ctl"), "-D"]
        init = [
            *_as_account(),
            str(bin_ / "initdb"),
            "-A",
            "trust",
            "-U",
            ACCOUNT,
            "-N",
            "-E",
            "UTF8",
        ]
        _quietly([*init, "--locale=C.UTF-8", "-D", str(data)])
        rules = data / "pg_hba.conf"
        rules.write_text(f"local all {GUARDED} scram-sha-256\n{rules.read_text()}")
        options = f"-k {folder} -c listen_addresses='' -c fsync=off"
        _quietly([*ctl, str(data), "-w", "-o", options, "-l", str(folder / "log"), "start"])
        try:
            server = Server(bin_, folder)
            server.sql(f"create extension postgis; create role {READER} login;")
            server.sql(f"create role {GUARDED} login password 'right'; create database bare;")
            server.serve("owner", ACCOUNT)
            server.serve("town", READER)
            server.serve("guarded", GUARDED)
            server.serve("bare", READER, "bare")
            server.serve("absent", READER, place=f"{folder}/nowhere")
            yield server
        finally:
            _quietly([*ctl, str(data), "-m", "fast", "-w", "stop"])
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _as_account() -> list[str]:
    """Run as the server's account where the tests run as root, as which it refuses to."""
    return ["runuser", "-u", ACCOUNT, "--"] if pwd.getpwuid(os.geteuid()).pw_uid == 0 else []


def _quietly(command: list[str]) -> None:
    done = subprocess.run(command, check=False, capture_output=True, text=True, cwd="/tmp")
    assert done.returncode == 0, done.stdout + done.stderr
