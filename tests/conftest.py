"""What all tests share: no outside network, where the samples are, the browser."""

from __future__ import annotations

import os
import shutil
import socket
from pathlib import Path

import pytest

from planner.plan import Plan

SAMPLES = Path(__file__).resolve().parents[2] / "shared" / "samples"
BROWSER_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
REAL_CONNECT = socket.socket.connect
REAL_RESOLVE = socket.getaddrinfo


def _is_local(address: object) -> bool:
    if isinstance(address, str | bytes):
        return True  # a socket of this machine's file system
    return isinstance(address, tuple) and str(address[0]) in ("127.0.0.1", "::1", "localhost")


@pytest.fixture(autouse=True)
def no_outside_socket(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fail whatever opens a connection, or asks for a name, beyond this machine."""

    def connect(self: socket.socket, address: object) -> object:
        if not _is_local(address):
            pytest.fail(f"a socket was opened to {address!r}")
        return REAL_CONNECT(self, address)  # type: ignore[arg-type]

    def resolve(host: object, *args: object, **kwargs: object) -> object:
        if host not in (None, "127.0.0.1", "::1", "localhost", b"localhost"):
            pytest.fail(f"the name {host!r} was looked up")
        return REAL_RESOLVE(host, *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(socket.socket, "connect", connect)
    monkeypatch.setattr(socket, "getaddrinfo", resolve)


def need(program: str) -> str:
    """Give the path of a program; skip the test where it is absent, fail in CI."""
    path = shutil.which(program)
    if path is None and os.environ.get("CI"):
        pytest.fail(f"{program} is missing though .ci/run installs it")
    if path is None:
        pytest.skip(f"{program} is not installed")
    return path


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of Debian's chromium."""
    return need("chromium")


@pytest.fixture(scope="session")
def pdftoppm() -> str:
    """Path of poppler's pdftoppm."""
    return need("pdftoppm")


@pytest.fixture(scope="session")
def soffice() -> str:
    """Path of LibreOffice."""
    return need("soffice")


@pytest.fixture(scope="session")
def samples() -> Path:
    """Folder of test material that is not part of the project."""
    if not SAMPLES.is_dir():
        pytest.skip("../shared/samples is not here")
    return SAMPLES


TOWN = Path(__file__).resolve().parents[1] / "data_demo"


def copy_town(folder: Path) -> Path:
    """Copy the demo town as a user would get it, without anything planned yet."""
    folder.mkdir(parents=True, exist_ok=True)
    for path in sorted(TOWN.iterdir()):
        if path.suffix in (".toml", ".csv", ".gpkg") and path.name != "project.gpkg":
            shutil.copyfile(path, folder / path.name)
    return folder


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo town with its decisions taken in; read only."""
    from planner.folder import accept_form

    folder = copy_town(tmp_path_factory.mktemp("town"))
    lines = accept_form(folder, folder / "decisions.csv")
    assert lines[-1].endswith(", 0 refused or known"), lines
    return folder


@pytest.fixture(scope="session")
def demo_plan(demo_folder: Path) -> Plan:
    """The plan of the demo town; read only."""
    from planner.folder import run_project

    return run_project(demo_folder)


@pytest.fixture(scope="session")
def desk_town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six pipes and two crews, planned as run 0001; read only."""
    from desk_town import plan_desk_town

    return plan_desk_town(tmp_path_factory.mktemp("desk") / "town")
