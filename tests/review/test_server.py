"""The guarded page behind the real server: what only a socket can show."""

from __future__ import annotations

import http.client
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlencode

import pytest
import uvicorn
from asgi_talk import FORM, Page
from conftest import need

from planner.review import listen as module
from planner.review.guard import guarded
from planner.review.listen import Listen, listen_at
from planner.review.users import Users, add_user

WORD = "a word of her own"


@contextmanager
def served(
    listen: Listen, users: Users | None = None, page: Page | None = None
) -> Iterator[tuple[Page, Listen]]:
    """Serve on a port that the system gives; stop by asking the server, not by ending anything."""
    page = page or Page()
    with socket.create_server((listen.host, 0)) as door:
        listen = replace(listen, port=door.getsockname()[1])
        guard = guarded(page, listen, users, user="Ann")
        settings = listen.uvicorn_settings() | {"lifespan": "off", "log_config": None}
        server = uvicorn.Server(uvicorn.Config(guard, **settings))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [door]})
        thread.start()
        try:
            yield page, listen
        finally:
            server.should_exit = True
            thread.join(20)
            assert not thread.is_alive()


def raw(listen: Listen, sent: bytes) -> bytes:
    """Send these very bytes, and read until the server closes."""
    with socket.create_connection((listen.host, listen.port), timeout=20) as line:
        line.sendall(sent)
        found = b""
        while piece := line.recv(65_536):
            found += piece
    return found


@pytest.fixture(scope="module")
def plain() -> Iterator[tuple[Page, Listen]]:
    with served(listen_at(folder=Path())) as found:
        yield found


def head(listen: Listen, first: str, *lines: str) -> bytes:
    host = f"127.0.0.1:{listen.port}"
    return "\r\n".join([first, f"Host: {host}", *lines, "", ""]).encode()


def test_no_answer_names_the_server(plain):
    _, listen = plain
    for first in ("GET / HTTP/1.1", "GET /break HTTP/1.1", "BREW / HTTP/1.1"):
        found = raw(listen, head(listen, first, "Connection: close"))
        assert found.startswith(b"HTTP/1.1 ")
        assert b"\r\nserver:" not in found.lower()
        assert b"content-security-policy" in found


def test_a_body_in_pieces_without_end_is_cut_off(plain):
    """Ten pieces of 100 kB and one sign, no length stated: refused before it ends."""
    page, listen = plain
    page.reached.clear()
    sent = head(
        listen,
        "POST /edit HTTP/1.1",
        f"Origin: http://127.0.0.1:{listen.port}",
        f"Content-Type: {FORM}",
        "Transfer-Encoding: chunked",
    )
    piece = b"186a0\r\n" + bytes(100_000) + b"\r\n"  # 0x186a0 = 100000
    found = raw(listen, sent + piece * 10 + b"1\r\nx\r\n")
    assert found.startswith(b"HTTP/1.1 413 ")
    assert not page.reached


def test_a_host_that_is_not_ours_and_an_upgrade_are_refused(plain):
    _, listen = plain
    there = b"GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n"
    assert raw(listen, there).startswith(b"HTTP/1.1 421 ")
    whole = head(listen, "GET http://evil.example/ HTTP/1.1", "Connection: close")
    assert raw(listen, whole).startswith(b"HTTP/1.1 400 ")
    socket_ = head(listen, "GET / HTTP/1.1", "Connection: close, Upgrade", "Upgrade: websocket")
    assert raw(listen, socket_).startswith(b"HTTP/1.1 400 ")


def test_a_head_that_is_not_finished_is_given_up(monkeypatch):
    """The read ends because the server closes; if it waited on, `raw` would give up after 20 s."""
    monkeypatch.setattr(module, "HEAD_S", 0.2)
    with served(listen_at(folder=Path())) as (page, listen):
        assert raw(listen, b"GET / HTTP/1.1\r\nHost: ") == b""
        assert raw(listen, b"") == b""
        with socket.create_connection((listen.host, listen.port), timeout=20) as line:
            line.sendall(head(listen, "GET / HTTP/1.1"))
            assert line.recv(65_536).startswith(b"HTTP/1.1 200 ")
            line.sendall(b"GET /")  # the head of a second request, which never ends
            while line.recv(65_536):
                pass
        assert len(page.reached) == 1


class Endless(Page):
    """Sends more than all buffers between hold, and tells when all of it is sent."""

    def __init__(self) -> None:
        super().__init__()
        self.sent = 0
        self.over = threading.Event()

    async def __call__(self, _scope, _receive, send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for self.sent in range(1, 101):
            await send({"type": "http.response.body", "body": bytes(1_000_000), "more_body": True})
        self.over.set()


def test_a_client_that_never_reads_is_given_up(monkeypatch):
    """100 MB to a client that reads none of it: the server breaks the line and goes on.

    With nobody at the end of the line the sending is no waiting any more, so it comes to its end;
    if the server waited for the client, it would not.
    """
    monkeypatch.setattr(module, "UNREAD_S", 0.2)
    page = Endless()
    with served(listen_at(folder=Path()), page=page) as (_, listen):
        with socket.create_connection((listen.host, listen.port), timeout=20) as line:
            line.sendall(head(listen, "GET / HTTP/1.1"))
            assert page.over.wait(20)
        assert page.sent == 100


def test_with_tls_somebody_logs_in_and_changes_something(tmp_path):
    """A certificate of openssl, the real hash, the real cookie, over a real line."""
    cert, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    order = [need("openssl"), "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"]
    order += ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost"]
    order += ["-keyout", str(key), "-out", str(cert)]
    subprocess.run(order, check=True, capture_output=True)
    key.chmod(0o600)
    add_user(tmp_path / "users.toml", "Ann", "engineer", WORD)
    listen = listen_at(folder=tmp_path, cert=cert, key=key, login=True)
    with served(listen, Users(tmp_path / "users.toml")) as (page, at):
        trust = ssl.create_default_context(cafile=str(cert))
        jar: dict[str, str] = {}

        def ask(path: str, fields: dict[str, str] | None = None) -> tuple[int, str]:
            line = http.client.HTTPSConnection("localhost", at.port, timeout=20, context=trust)
            sent = {"Cookie": "; ".join(f"{k}={v}" for k, v in jar.items())}
            if fields is not None:
                sent |= {"Content-Type": FORM, "Origin": f"https://localhost:{at.port}"}
            body = None if fields is None else urlencode(fields)
            line.request("GET" if fields is None else "POST", path, body, sent)
            answer = line.getresponse()
            text = answer.read().decode()
            for one in answer.headers.get_all("Set-Cookie") or []:
                assert "; Secure" in one
                jar.update([one.partition(";")[0].split("=", 1)])
            line.close()
            return answer.status, text

        assert ask("/")[0] == 303
        token = ask("/login")[1].partition('name="token" value="')[2].partition('"')[0]
        assert ask("/login", {"name": "ann", "password": WORD, "token": token})[0] == 303
        status, text = ask("/")
        assert (status, text.rpartition("|")[0]) == (200, "Ann|engineer")
        assert ask("/edit", {"row": "1"})[0] == 403
        assert ask("/edit", {"row": "1", "token": text.rpartition("|")[2]})[0] == 200
        assert page.reached[-1]["scheme"] == "https"
        with socket.create_connection(("127.0.0.1", at.port), timeout=20) as bare:
            bare.sendall(b"GET / HTTP/1.1\r\n\r\n")
            assert b"HTTP/1.1 2" not in bare.recv(1_000)
