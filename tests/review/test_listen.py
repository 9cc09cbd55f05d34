"""Where the page may listen, and what must be there before it does so beyond this machine."""

from __future__ import annotations

import socket
import subprocess
from dataclasses import FrozenInstanceError, replace
from pathlib import Path

import pytest
from conftest import need
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import FileError, PlannerError, SettingsError
from planner.review.listen import Listen, is_loopback, listen_at, take_port


@pytest.fixture(scope="module")
def pair(tmp_path_factory) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1 and its key, made by openssl."""
    folder = tmp_path_factory.mktemp("tls")
    cert, key = folder / "cert.pem", folder / "key.pem"
    order = [need("openssl"), "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"]
    order += ["-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]
    order += ["-keyout", str(key), "-out", str(cert)]
    subprocess.run(order, check=True, capture_output=True)
    key.chmod(0o600)
    return cert, key


@pytest.fixture
def town(tmp_path) -> Path:
    """A project folder with a users file; what it says is read elsewhere."""
    (tmp_path / "users.toml").touch(mode=0o600)
    return tmp_path


def test_by_default_it_is_this_machine_without_a_login(tmp_path):
    listen = listen_at(folder=tmp_path)
    assert (listen.host, listen.port, listen.login, listen.tls) == ("127.0.0.1", 8000, False, False)
    assert listen.hosts == {"127.0.0.1:8000", "localhost:8000", "[::1]:8000"}
    assert listen.url == "http://127.0.0.1:8000/"
    with pytest.raises(FrozenInstanceError):
        listen.port = 1


@pytest.mark.parametrize(
    ("where", "host", "url"),
    [
        ("localhost:80", "127.0.0.1", "http://127.0.0.1/"),
        ("[::1]:8001", "::1", "http://[::1]:8001/"),
        ("[0:0::1]:8001", "::1", "http://[::1]:8001/"),
        ("127.0.0.2:8001", "127.0.0.2", "http://127.0.0.2:8001/"),
    ],
)
def test_other_names_of_this_machine(tmp_path, where, host, url):
    listen = listen_at(where, folder=tmp_path)
    assert (listen.host, listen.url, listen.login) == (host, url, False)


def test_the_usual_port_goes_without_saying(tmp_path):
    """RFC 9110, section 4.2: 80 of http and 443 of https may be left away."""
    assert "localhost" in listen_at("localhost:80", folder=tmp_path).hosts
    assert "localhost" not in listen_at("localhost:443", folder=tmp_path).hosts


def test_the_port_that_the_system_gave_can_be_stated(tmp_path):
    listen = replace(listen_at("127.0.0.1:0", folder=tmp_path), port=4321)
    assert "127.0.0.1:4321" in listen.hosts
    assert listen.cookie.endswith("4321")


@pytest.mark.parametrize(
    "where",
    [
        "",
        "8000",
        ":8000",
        "127.0.0.1",
        "127.0.0.1:",
        "127.0.0.1:65536",
        "127.0.0.1:-1",
        "::1:8000",
        "[127.0.0.1]:8000",
        "127.1:8000",
        "2130706433:8000",
        "0x7f.1:80000",
        "a b:8000",
        "x@127.0.0.1:8000",
        "http://127.0.0.1:8000",
        "127.0.0.1:8000/",
        "-a.example:8000",
    ],
)
def test_what_is_no_place_is_refused(town, where):
    with pytest.raises(SettingsError, match="--listen: found"):
        listen_at(where, folder=town)


@given(st.text(max_size=30))
def test_any_text_ends_in_a_place_on_this_machine_or_in_one_line(text):
    """Without certificate or proxy nothing else can come out."""
    try:
        host = listen_at(text, folder=Path("/nowhere")).host
    except PlannerError as error:
        host, lines = "127.0.0.1", str(error).splitlines()
    else:
        lines = ["none"]
    assert is_loopback(host)
    assert len(lines) == 1


@pytest.mark.parametrize(
    "where", ["0.0.0.0:8000", "[::]:8000", "10.0.0.5:8000", "town.example:8000"]
)
def test_beyond_this_machine_it_needs_tls_or_a_proxy(town, where):
    with pytest.raises(SettingsError, match="wanted --cert and --key, or --behind-proxy"):
        listen_at(where, folder=town)
    with pytest.raises(SettingsError, match="wanted --cert and --key"):
        listen_at(where, folder=town, public_hosts=["town.example"], login=True)


def test_beyond_this_machine_it_needs_users(tmp_path, pair):
    cert, key = pair
    with pytest.raises(FileError, match=r"no users\.toml"):
        listen_at("10.0.0.5:8443", folder=tmp_path, cert=cert, key=key)
    with pytest.raises(FileError, match=r"no users\.toml"):
        listen_at(folder=tmp_path, behind_proxy=True, public_hosts=["town.example"])
    with pytest.raises(FileError, match=r"no users\.toml"):
        listen_at(folder=tmp_path, login=True)
    with pytest.raises(FileError, match=r"no users\.toml"):
        listen_at(folder=tmp_path, public_hosts=["town.example"])


def test_with_a_certificate_and_users_it_listens_anywhere(town, pair):
    cert, key = pair
    listen = listen_at(
        "0.0.0.0:8443",
        folder=town,
        cert=cert,
        key=key,
        public_hosts=["Town.example", "10.0.0.5:443"],
    )
    assert (listen.login, listen.tls, listen.scheme) == (True, True, "https")
    assert listen.hosts == {"town.example:8443", "10.0.0.5:443", "10.0.0.5"}
    assert listen.url == "https://town.example:8443/"
    assert listen.uvicorn_settings()["ssl_keyfile"] == str(key)


def test_every_address_needs_a_name(town, pair):
    cert, key = pair
    for where in ("0.0.0.0:8443", "[::]:8443"):
        with pytest.raises(SettingsError, match="wanted --public-host"):
            listen_at(where, folder=town, cert=cert, key=key)


def test_behind_a_proxy_only_the_public_name_counts(town):
    listen = listen_at(folder=town, behind_proxy=True, public_hosts=["town.example"])
    assert listen.hosts == {"town.example", "town.example:443"}
    assert listen.url == "https://town.example/"
    assert listen.proxies == {"127.0.0.1", "::1"}
    assert listen.login
    stated = listen_at(
        folder=town, behind_proxy=True, public_hosts=["town.example"], proxies=["10.0.0.1"]
    )
    assert stated.proxies == {"10.0.0.1"}


def test_options_that_do_not_go_together(town, pair):
    cert, key = pair
    name = ["town.example"]
    for more, said in [
        ({"cert": cert}, "wanted --key"),
        ({"key": key}, "wanted --cert"),
        ({"cert": cert, "key": key, "behind_proxy": True}, "wanted one of them"),
        ({"proxies": ["10.0.0.1"]}, "wanted --behind-proxy"),
        ({"behind_proxy": True}, "wanted --public-host"),
        ({"behind_proxy": True, "public_hosts": name, "proxies": ["x"]}, "--proxy: found 'x'"),
        ({"public_hosts": ["a b"]}, "--public-host: found"),
    ]:
        with pytest.raises(SettingsError, match=said):
            listen_at(folder=town, **more)


def test_certificate_and_key_are_looked_at_before_the_start(town, pair, tmp_path):
    cert, key = pair
    with pytest.raises(FileError, match=r"--cert .*cannot be read"):
        listen_at(folder=town, cert=tmp_path / "none", key=key)
    with pytest.raises(FileError, match=r"--key .*cannot be read"):
        listen_at(folder=town, cert=cert, key=tmp_path)
    with pytest.raises(FileError, match="PEM"):
        listen_at(folder=town, cert=key, key=key)
    copy = tmp_path / "open.pem"
    copy.write_bytes(key.read_bytes())
    for mode, is_open in ((0o644, True), (0o604, True), (0o640, False), (0o600, False)):
        copy.chmod(mode)
        if is_open:
            with pytest.raises(FileError, match=f"found mode {mode:04o}"):
                listen_at(folder=town, cert=cert, key=copy)
        else:
            assert listen_at(folder=town, cert=cert, key=copy).tls


def test_a_ciphered_key_is_refused_and_nobody_is_asked(town, pair, tmp_path):
    cert, key = pair
    locked = tmp_path / "locked.pem"
    order = [need("openssl"), "rsa", "-aes256", "-passout", "pass:secret", "-in", str(key)]
    subprocess.run([*order, "-out", str(locked)], check=True, capture_output=True)
    locked.chmod(0o600)
    with pytest.raises(FileError, match="unciphered"):
        listen_at(folder=town, cert=cert, key=locked)


def test_cookies_are_secure_where_the_browser_speaks_tls():
    plain = Listen("127.0.0.1", 8000)
    assert plain.cookie_flags == "; Path=/; HttpOnly; SameSite=Strict"
    for tls in (replace(plain, cert=Path("c")), replace(plain, behind_proxy=True)):
        assert tls.cookie_flags == "; Path=/; HttpOnly; SameSite=Strict; Secure"
        assert tls.cookie.startswith("__Host-")


def test_the_server_tells_no_name_and_believes_no_header():
    settings = Listen("127.0.0.1", 8000).uvicorn_settings()
    assert settings["server_header"] is False
    assert settings["proxy_headers"] is False
    assert settings["ws"] == "none"


def test_a_port_is_taken_before_anything_is_read(tmp_path):
    """Port 0 lets the system choose; whoever comes second is told so in one line."""
    door, listen = take_port(listen_at("127.0.0.1:0", folder=tmp_path))
    with door:
        assert listen.port > 0
        assert f"127.0.0.1:{listen.port}" in listen.hosts
        socket.create_connection((listen.host, listen.port), timeout=5).close()
        with pytest.raises(SettingsError, match=f"{listen.port}: .*another program") as told:
            take_port(listen)
    assert len(str(told.value).splitlines()) == 1
    again, _ = take_port(listen)
    again.close()


def test_a_text_with_a_line_end_gives_one_line_all_the_same(tmp_path):
    with pytest.raises(SettingsError) as told:
        listen_at("A\r", folder=tmp_path)
    assert len(str(told.value).splitlines()) == 1
