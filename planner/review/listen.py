"""Where the review page listens, and what must be there before it does so beyond this machine."""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import os
import re
import socket
import ssl
import stat
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from planner.errors import FileError, SettingsError
from planner.review.users import USERS_FILE

DEFAULT = "127.0.0.1:8000"
# Seconds: for the whole head of a request, for a client that reads nothing of its answer, between
# two requests of one connection, and for what is under way when the server is stopped.
HEAD_S, UNREAD_S, IDLE_S, STOP_S = 15.0, 60.0, 30, 5
MOST_HEAD_BYTES = 32_768
MOST_CONNECTIONS, BACKLOG = 200, 128
_PLAIN, _TLS = 80, 443
_LOOPBACK = ("127.0.0.1", "localhost", "::1")
_LABEL = r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?"
_HOST = re.compile(rf"{_LABEL}(?:\.{_LABEL})*")
_PLACE = re.compile(
    r"(?:\[(?P<six>[0-9A-Fa-f:.]+)\]|(?P<host>[^:\[\]/@\s]+))(?::(?P<port>[0-9]{1,5}))?"
)


@dataclass(frozen=True)
class Listen:
    """Where the page listens and how it is reached; made by `listen_at`.

    ``dataclasses.replace(listen, port=...)`` states the port that the system gave for port 0.
    """

    host: str
    port: int
    cert: Path | None = None
    key: Path | None = None
    behind_proxy: bool = False
    # The addresses whose X-Forwarded-For and X-Forwarded-Proto count.
    proxies: frozenset[str] = frozenset()
    # Names it is reached by beyond this machine, each with its port or None for the usual one.
    public: tuple[tuple[str, int | None], ...] = ()
    login: bool = False

    @property
    def tls(self) -> bool:
        """Tell whether the browser's connection is ciphered, here or at the proxy."""
        return self.behind_proxy or self.cert is not None

    @property
    def scheme(self) -> str:
        """Give the scheme that the browser sees."""
        return "https" if self.tls else "http"

    @cached_property
    def hosts(self) -> frozenset[str]:
        """All texts that a Host header may be, in small letters."""
        usual = _TLS if self.tls else _PLAIN
        found = set()
        for name, port in self._names():
            shown = f"[{name}]" if ":" in name else name
            found.add(f"{shown}:{port}")
            if port == usual:
                found.add(shown)
        return frozenset(found)

    @property
    def url(self) -> str:
        """Give the address to open, such as http://127.0.0.1:8000/."""
        name, port = self._names()[0]
        shown = f"[{name}]" if ":" in name else name
        usual = _TLS if self.tls else _PLAIN
        return f"{self.scheme}://{shown}{'' if port == usual else f':{port}'}/"

    @property
    def cookie(self) -> str:
        """Name of the session's cookie; cookies know no ports, so the port stands in it.

        With ``__Host-`` the browser takes it only if it is Secure, of this host and Path=/.
        """
        return f"{'__Host-' if self.tls else ''}sleeveplan-{self.port}"

    @property
    def cookie_flags(self) -> str:
        """What follows each cookie's value."""
        return "; Path=/; HttpOnly; SameSite=Strict" + ("; Secure" if self.tls else "")

    def uvicorn_settings(self) -> dict[str, Any]:
        """Give the keywords of ``uvicorn.Config`` beside the app.

        No ``server`` header; forwarded headers are the guard's to read, never uvicorn's.
        """
        return {
            "host": self.host,
            "port": self.port,
            "http": Patient,
            "ws": "none",
            "ssl_certfile": None if self.cert is None else str(self.cert),
            "ssl_keyfile": None if self.key is None else str(self.key),
            "proxy_headers": False,
            "server_header": False,
            "access_log": False,
            "log_level": "warning",
            "limit_concurrency": MOST_CONNECTIONS,
            "backlog": BACKLOG,
            "timeout_keep_alive": IDLE_S,
            "timeout_graceful_shutdown": STOP_S,
            "h11_max_incomplete_event_size": MOST_HEAD_BYTES,
        }

    def _names(self) -> list[tuple[str, int]]:
        usual = _TLS if self.behind_proxy else self.port
        names = [(name, usual if port is None else port) for name, port in self.public]
        if not self.behind_proxy:
            own = [self.host] if self.host not in ("0.0.0.0", "::") else []
            if is_loopback(self.host):
                own += [name for name in _LOOPBACK if name != self.host]
            names += [(name, self.port) for name in own]
        return names


class Patient(H11Protocol):
    """uvicorn's HTTP, which waits for a client no longer than `HEAD_S` and `UNREAD_S`.

    By itself uvicorn measures only the time between two requests: a client that sends its first
    head sign by sign, or never reads its answer, would hold its connection for ever.
    """

    _late: asyncio.TimerHandle | None = None
    _unread: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first head."""
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Stop waiting once a head is whole; begin with the first sign of the next."""
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._unwatch()
        self._read()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Begin to wait for the client to read."""
        super().pause_writing()
        if self._unread is None:
            self._unread = self.loop.call_later(UNREAD_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Stop waiting: it has read."""
        self._read()
        super().resume_writing()

    def _watch(self) -> None:
        if self.conn.their_state is not h11.IDLE or self.transport.is_closing():
            self._unwatch()
        elif self._late is None:
            self._late = self.loop.call_later(HEAD_S, self.transport.close)

    def _read(self) -> None:
        if self._unread is not None:
            self._unread.cancel()
            self._unread = None

    def _unwatch(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None


def listen_at(  # noqa: PLR0913 - one keyword for each option
    where: str = DEFAULT,
    *,
    folder: Path,
    cert: Path | None = None,
    key: Path | None = None,
    behind_proxy: bool = False,
    proxies: Sequence[str] = (),
    public_hosts: Sequence[str] = (),
    login: bool = False,
) -> Listen:
    """Decide where and how the page is served.

    Parameters
    ----------
    where
        ``HOST:PORT``, such as 127.0.0.1:8000, [::1]:8000 or 0.0.0.0:8443.
    folder
        Project folder; a log-in needs `USERS_FILE` in it.
    cert, key
        PEM files of the certificate and its key.
    behind_proxy
        A proxy before it does TLS; it says so by X-Forwarded-Proto and X-Forwarded-For.
    proxies
        Addresses of that proxy; by default those of this machine.
    public_hosts
        ``HOST`` or ``HOST:PORT`` that browsers reach it by.
    login
        Ask for a log-in on this machine too, as where others work on it.

    Raises
    ------
    SettingsError
        If the options do not go together.
    FileError
        If certificate, key or users file are missing, unreadable or open to others.
    """
    where = where.strip()
    host, port = _place(where, "--listen")
    if port is None:
        message = f"--listen: found {where}; wanted HOST:PORT, such as {DEFAULT}"
        raise SettingsError(message)
    loopback = is_loopback(host)
    host = "127.0.0.1" if host == "localhost" else host
    public = tuple(_place(text, "--public-host") for text in public_hosts)
    _check_together(where, cert=cert, key=key, behind_proxy=behind_proxy, proxies=proxies)
    if not loopback and cert is None and not behind_proxy:
        message = (
            f"--listen {where}: is beyond this machine; wanted --cert and --key, or --behind-proxy"
        )
        raise SettingsError(message)
    if not public and (behind_proxy or host in ("0.0.0.0", "::")):
        message = f"--listen {where}: wanted --public-host with the name that browsers reach it by"
        raise SettingsError(message)
    if cert is not None and key is not None:
        _check_pair(cert, key)
    needs_login = login or behind_proxy or not loopback or bool(public)
    if needs_login and not os.path.lexists(folder / USERS_FILE):
        message = (
            f"--listen {where}: needs a log-in, and there is no {USERS_FILE} in {folder}; "
            "add a user first"
        )
        raise FileError(message)
    return Listen(
        host=host,
        port=port,
        cert=cert,
        key=key,
        behind_proxy=behind_proxy,
        proxies=_addresses(proxies) if behind_proxy else frozenset(),
        public=public,
        login=needs_login,
    )


def take_port(at: Listen) -> tuple[socket.socket, Listen]:
    """Take the port before anything is read, so that one that is taken costs no waiting.

    Returns
    -------
    socket, listen
        What listens there already, for ``uvicorn.Server.run``; `at` with the port that the
        system gave for port 0.

    Raises
    ------
    SettingsError
        If another program has it, or the place is none of this machine's.
    """
    taken: socket.socket | None = None
    try:
        found = socket.getaddrinfo(at.host, at.port, type=socket.SOCK_STREAM)
        family, kind, _, _, place = found[0]
        taken = socket.socket(family, kind)
        # Else a page that just ended would keep its port for a minute.
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            taken.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        taken.bind(place)
        taken.listen(BACKLOG)
    except OSError as error:
        if taken is not None:
            taken.close()
        why = {errno.EADDRINUSE: "another program listens there"}.get(
            error.errno or 0, error.strerror
        )
        message = f"--listen {at.host}:{at.port}: cannot be listened at ({why}); name another port"
        raise SettingsError(message) from None
    return taken, replace(at, port=int(taken.getsockname()[1]))


def is_loopback(host: str) -> bool:
    """Tell whether nothing but this machine reaches it; of names that holds for localhost alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _place(text: str, option: str) -> tuple[str, int | None]:
    found = _PLACE.fullmatch(text.strip())
    host = (found["six"] or found["host"]).lower() if found else ""
    port = int(found["port"]) if found and found["port"] else None
    if (port is None or port <= 65_535) and _is_host(host, six=bool(found and found["six"])):
        return (str(ipaddress.ip_address(host)) if ":" in host else host), port
    message = f"{option}: found {text!r}; wanted HOST:PORT, such as {DEFAULT} or [::1]:8000"
    raise SettingsError(message)


def _is_host(host: str, *, six: bool) -> bool:
    try:
        return (ipaddress.ip_address(host).version == 6) == six
    except ValueError:
        pass
    # What ends in figures alone and is no address would be read as one by some: 127.1, 0x7f.1.
    last = host.rpartition(".")[2]
    return not six and len(host) <= 253 and bool(_HOST.fullmatch(host)) and last[:1].isalpha()


def _check_together(
    where: str,
    *,
    cert: Path | None,
    key: Path | None,
    behind_proxy: bool,
    proxies: Sequence[str],
) -> None:
    if (cert is None) != (key is None):
        given, wanted = ("--key", "--cert") if cert is None else ("--cert", "--key")
        message = f"{given}: found it alone; wanted {wanted} beside it"
    elif cert is not None and behind_proxy:
        message = f"--listen {where}: found --cert and --behind-proxy; wanted one of them"
    elif proxies and not behind_proxy:
        message = "--proxy: found it alone; wanted --behind-proxy beside it"
    else:
        return
    raise SettingsError(message)


def _check_pair(cert: Path, key: Path) -> None:
    for option, path in (("--cert", cert), ("--key", key)):
        try:
            with path.open("rb") as file:
                mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
        except OSError as error:
            message = f"{option} {path}: cannot be read ({error.strerror})"
            raise FileError(message) from error
        if option == "--key" and os.name == "posix" and mode & 0o007:
            message = (
                f"--key {path}: found mode {mode:04o}; wanted one that keeps others out (0600)"
            )
            raise FileError(message)
    try:
        # An empty password, so that a ciphered key is refused and nobody is asked for one.
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key, password="")
    except (ssl.SSLError, ValueError):
        message = f"--cert {cert}, --key {key}: wanted a PEM certificate and its unciphered key"
        raise FileError(message) from None


def _addresses(proxies: Sequence[str]) -> frozenset[str]:
    found = set()
    for text in proxies or ("127.0.0.1", "::1"):
        try:
            found.add(str(ipaddress.ip_address(text)))
        except ValueError:
            message = f"--proxy: found {text!r}; wanted the address of the proxy, such as 127.0.0.1"
            raise SettingsError(message) from None
    return frozenset(found)
