"""What the guard lets through to the review page, what it refuses, what every answer carries."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import pytest
from asgi_talk import FORM, HOST, ORIGIN, Page, change, talk
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import SettingsError
from planner.review.body import Limits
from planner.review.guard import guarded
from planner.review.listen import Listen, listen_at

LISTEN = listen_at(folder=Path())
PUBLIC = Listen(
    "10.0.0.5", 8443, cert=Path("c"), key=Path("k"), public=(("town.example", None),), login=False
)


def made(listen: Listen = LISTEN, **more) -> tuple[Page, object, str]:
    """The page, the guard around it, and the token of the one session."""
    page = Page()
    guard = guarded(page, listen, None, user="Ann", **more)
    token = talk(guard, host=min(listen.hosts)).body.decode().split("|")[2]
    page.reached.clear()
    page.bodies.clear()
    return page, guard, token


PAGE, GUARD, TOKEN = made()


def refused(got, status: int) -> None:
    """One line of plain text, under the same headers as all else; the page saw nothing."""
    assert got.status == status
    assert not PAGE.reached
    assert got.body.count(b"\n") == 1
    assert got.body.endswith(b"\n")
    assert got.one("content-type").startswith("text/plain")
    assert "default-src 'none'" in got.one("content-security-policy")


@pytest.fixture(autouse=True)
def _clean():
    PAGE.reached.clear()
    PAGE.bodies.clear()


# --- who it is ---------------------------------------------------------------------------------


def test_on_this_machine_one_person_may_do_everything():
    got = talk(GUARD)
    assert got.body.startswith(b"Ann|local|")
    person = PAGE.reached[0]["person"]
    assert all(person.may(verb) for verb in ("read", "decide", "plan", "price"))


def test_the_token_is_random_and_long():
    """32 random bytes in base64 are 43 signs; two guards have two tokens."""
    other = made()[2]
    assert len(TOKEN) == len(other) == 43
    assert other != TOKEN


def test_a_name_that_is_none_stops_the_start():
    with pytest.raises(SettingsError, match="user name"):
        guarded(Page(), LISTEN, None, user="A\nB")


def test_without_users_there_is_no_login_to_open_it():
    with pytest.raises(SettingsError, match="no users"):
        guarded(Page(), replace(LISTEN, login=True), None)


# --- hosts -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8000", "localhost:8000", "[::1]:8000", "LOCALHOST:8000"]
)
def test_the_names_of_this_machine_are_let_in(host):
    assert talk(GUARD, host=host).status == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8000",
        "127.0.0.1",
        "localhost",
        "127.0.0.1:8001",
        "127.0.0.1:8000.evil.example",
        "evil.example@127.0.0.1:8000",
        "localhost.:8000",
        "127.0.0.1:08000",
        "127.1:8000",
        "[::ffff:127.0.0.1]:8000",
        "127.0.0.1:8000, evil.example",
        "127.0.0.1:8000 ",
    ],
)
def test_any_other_name_is_refused(host):
    """A name that an attacker points at 127.0.0.1 arrives here as the Host."""
    refused(talk(GUARD, host=host), 421)


def test_no_host_and_two_hosts_are_refused():
    refused(talk(GUARD, host=None), 400)
    refused(talk(GUARD, host=""), 400)
    refused(talk(GUARD, headers=[("host", HOST)]), 400)


@given(st.text(st.characters(min_codepoint=33, max_codepoint=255), min_size=1, max_size=40))
def test_no_random_host_passes(host):
    wanted = (
        200 if host.lower() in {f"{n}:8000" for n in ("127.0.0.1", "localhost", "[::1]")} else 421
    )
    assert talk(GUARD, host=host).status == wanted


# --- origins -----------------------------------------------------------------------------------


def test_a_change_of_the_page_itself_passes_with_its_body_whole():
    assert change(GUARD, token=TOKEN, fields={"row": "1", "why": "æ & b"}).status == 200
    assert PAGE.bodies == [b"row=1&why=%C3%A6+%26+b"]


@pytest.mark.parametrize(
    "origin",
    [
        "null",
        "http://evil.example",
        "https://127.0.0.1:8000",
        "http://127.0.0.1",
        "http://127.0.0.1:8001",
        "http://localhost:8000",
        "http://127.0.0.1:8000.evil.example",
        "http://x@127.0.0.1:8000",
        "http://127.0.0.1:8000/",
        "127.0.0.1:8000",
        "",
    ],
)
def test_a_change_from_elsewhere_is_refused(origin):
    """localhost is another origin than 127.0.0.1, though the same machine."""
    refused(change(GUARD, token=TOKEN, origin=origin), 403)


@given(st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=40))
def test_no_random_origin_passes(origin):
    PAGE.reached.clear()
    wanted = 200 if origin.lower() in (ORIGIN,) else 403
    assert change(GUARD, token=TOKEN, origin=origin).status == wanted


def test_where_no_origin_is_told_the_referer_must_be_ours():
    for referer in (f"{ORIGIN}/desk?x=1", ORIGIN):
        assert change(GUARD, token=TOKEN, origin=None, headers=[("referer", referer)]).status == 200
    PAGE.reached.clear()
    for referer in (
        "http://evil.example/" + ORIGIN,
        f"{ORIGIN}@evil.example/",
        "http://[",
        "/desk",
    ):
        refused(change(GUARD, token=TOKEN, origin=None, headers=[("referer", referer)]), 403)
    refused(change(GUARD, token=TOKEN, origin=None), 403)


def test_a_foreign_origin_is_not_mended_by_a_referer():
    sent = [("referer", f"{ORIGIN}/")]
    refused(change(GUARD, token=TOKEN, origin="http://evil.example", headers=sent), 403)
    refused(change(GUARD, token=TOKEN, headers=[("origin", ORIGIN)]), 400)


@pytest.mark.parametrize("site", ["cross-site", "same-site", "", "SAME-ORIGIN"])
def test_what_the_browser_says_another_site_began_is_refused(site):
    sent = [("sec-fetch-site", site)]
    refused(talk(GUARD, headers=sent), 403)
    refused(change(GUARD, token=TOKEN, headers=sent), 403)


def test_an_address_typed_by_hand_may_read_and_not_change():
    sent = [("sec-fetch-site", "none")]
    assert talk(GUARD, headers=sent).status == 200
    PAGE.reached.clear()
    refused(change(GUARD, token=TOKEN, headers=sent), 403)


# --- the token ---------------------------------------------------------------------------------


def test_the_token_may_stand_in_the_form():
    assert change(GUARD, fields={"token": TOKEN}).status == 200


def test_a_form_of_several_parts_carries_the_token_too():
    parts = (
        '--cut\r\nContent-Disposition: form-data; name="token"\r\n\r\n'
        f"{TOKEN}\r\n--cut\r\n"
        'Content-Disposition: form-data; name="form"; filename="a.csv"\r\n\r\na,b\r\n--cut--\r\n'
    )
    sent = [("origin", ORIGIN), ("content-type", "multipart/form-data; boundary=cut")]
    assert talk(GUARD, "/edit", "POST", headers=sent, body=parts.encode()).status == 200
    assert PAGE.bodies == [parts.encode()]


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_every_method_that_changes_needs_it(method):
    refused(talk(GUARD, "/edit", method, headers=[("origin", ORIGIN)]), 403)
    sent = [("origin", ORIGIN), ("x-token", TOKEN)]
    assert talk(GUARD, "/edit", method, headers=sent).status == 200


def test_a_wrong_token_is_not_mended_by_the_other_place():
    refused(change(GUARD, token="", fields={"token": TOKEN}), 403)
    refused(change(GUARD, token=TOKEN, headers=[("x-token", TOKEN)]), 400)
    refused(change(GUARD, body=f"token={TOKEN}&token={TOKEN}".encode()), 403)
    refused(change(GUARD, query=f"token={TOKEN}"), 403)


@given(st.text(st.characters(min_codepoint=32, max_codepoint=255), max_size=50))
def test_no_random_token_passes(token):
    PAGE.reached.clear()
    assert change(GUARD, token=token).status == (200 if token == TOKEN else 403)
    assert change(GUARD, fields={"token": token}).status == (200 if token == TOKEN else 403)


@given(st.integers(0, 42), st.characters(min_codepoint=33, max_codepoint=126))
def test_one_wrong_sign_is_enough(at, sign):
    token = TOKEN[:at] + sign + TOKEN[at + 1 :]
    assert change(GUARD, token=token).status == (200 if token == TOKEN else 403)


# --- methods, sizes, forms ---------------------------------------------------------------------


@pytest.mark.parametrize("method", ["TRACE", "CONNECT", "PROPFIND", "get", "X"])
def test_other_methods_are_not_known(method):
    got = talk(GUARD, method=method)
    refused(got, 405)
    assert "GET" in got.one("allow")


def test_reading_carries_no_body():
    refused(talk(GUARD, headers=[("content-length", "3")]), 400)
    refused(talk(GUARD, headers=[("transfer-encoding", "chunked")]), 400)
    assert talk(GUARD, headers=[("content-length", "0")]).status == 200


def test_a_stated_length_beyond_the_limit_is_refused_unread():
    got = change(GUARD, token=TOKEN, headers=[("content-length", "1000001")])
    refused(got, 413)
    assert got.pieces_read == 0
    assert got.one("connection") == "close"
    refused(change(GUARD, token=TOKEN, headers=[("content-length", "9" * 30)]), 413)
    refused(change(GUARD, token=TOKEN, headers=[("content-length", "-1")]), 400)


def test_a_body_without_a_length_is_counted_while_it_comes():
    """Pieces of 100 kB without end: the eleventh passes 1 MB, and no twelfth is read."""

    def endless():
        while True:
            yield bytes(100_000)

    got = change(GUARD, token=TOKEN, body=endless())
    refused(got, 413)
    assert got.pieces_read == 11


def test_a_body_of_just_the_limit_passes():
    whole = b"a=" + b"x" * 999_998
    assert change(GUARD, token=TOKEN, body=[whole[:7], whole[7:]]).status == 200
    assert PAGE.bodies == [whole]
    PAGE.reached.clear()
    refused(change(GUARD, token=TOKEN, body=[whole, b"x"]), 413)


def test_a_body_that_never_comes_is_given_up():
    _, guard, _ = made(limits=Limits(body_s=0.05))
    sent = []

    async def receive():
        await asyncio.Event().wait()

    async def send(message):
        sent.append(message)

    scope = {"type": "http", "method": "POST", "path": "/", "query_string": b"", "client": None}
    scope["headers"] = [(b"host", HOST.encode()), (b"origin", ORIGIN.encode())]
    asyncio.run(guard(scope, receive, send))
    assert sent[0]["status"] == 408


def test_long_addresses_and_headers_are_refused():
    refused(talk(GUARD, "/" + "a" * 8_000), 414)
    refused(talk(GUARD, query="a" * 8_000), 414)
    refused(talk(GUARD, headers=[("x", "a" * 16_000)]), 431)
    refused(talk(GUARD, headers=[("x", "a")] * 101), 431)


@pytest.mark.parametrize(
    "path", ["/../x", "/a/..", "/a/./b", "x", "http://evil/", "/a\x00b", "/a\r\nb"]
)
def test_strange_addresses_are_refused(path):
    refused(talk(GUARD, path), 400)


def test_more_fields_than_allowed_are_refused():
    many = "&".join(f"a{n}=1" for n in range(1_001)).encode()
    refused(change(GUARD, token=TOKEN, body=many), 400)
    assert change(GUARD, token=TOKEN, body=many.rpartition(b"&")[0]).status == 200


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("application/json", b"{"),
        ("application/json", b"[" * 100_000),
        ("application/json", b'{"a": NaN}'),
        ("application/json", b'"\\ud800"'),
        ("application/json", b"9" * 10_000),
        ("application/json", b'"\xff"'),
        ("multipart/form-data", b"x"),
        ("multipart/form-data; boundary=cut", b"--cut\r\nbroken"),
        (
            "multipart/form-data; boundary=cut",
            b"--cut\r\nContent-Disposition: x\r\n\r\n\r\n--cut--",
        ),
        (FORM, b"a=%ff"),
    ],
)
def test_what_cannot_be_read_is_refused_in_one_line(kind, body):
    sent = [("origin", ORIGIN), ("x-token", TOKEN), ("content-type", kind)]
    refused(talk(GUARD, "/edit", "POST", headers=sent, body=body), 400)


@given(
    st.sampled_from(["application/json", FORM, "multipart/form-data; boundary=cut", "text/plain"]),
    st.binary(max_size=60)
    | st.text(max_size=40).map(lambda text: f"--cut\r\n{text}\r\n--cut--".encode()),
)
def test_no_body_breaks_the_guard(kind, body):
    sent = [("origin", ORIGIN), ("x-token", TOKEN), ("content-type", kind)]
    assert talk(GUARD, "/edit", "POST", headers=sent, body=body).status in (200, 400, 415)


@given(st.recursive(st.none() | st.booleans() | st.integers() | st.text(), st.lists, max_leaves=5))
def test_sound_json_reaches_the_page_as_it_was(value):
    PAGE.bodies.clear()
    body = json.dumps(value).encode()
    sent = [("origin", ORIGIN), ("x-token", TOKEN), ("content-type", "application/json")]
    assert talk(GUARD, "/edit", "POST", headers=sent, body=body).status == 200
    assert PAGE.bodies == [body]


@pytest.mark.parametrize("kind", ["text/plain", "text/html", "", "application/xml"])
def test_other_kinds_of_body_are_refused(kind):
    """A form of another site can send text/plain without asking first."""
    sent = [("origin", ORIGIN), ("x-token", TOKEN), ("content-type", kind)]
    refused(talk(GUARD, "/edit", "POST", headers=sent, body=b"a=1"), 415)
    packed = [*sent[:2], ("content-type", FORM), ("content-encoding", "gzip")]
    refused(talk(GUARD, "/edit", "POST", headers=packed, body=b"a=1"), 415)


# --- answers -----------------------------------------------------------------------------------

WANTED = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; font-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@pytest.mark.parametrize("path", ["/", "/break", "/broken", "/a/../b"])
def test_every_answer_carries_the_headers(path):
    got = talk(GUARD, path)
    assert {name: got.one(name) for name in WANTED} == WANTED
    assert got.all("server") == []
    assert got.all("strict-transport-security") == []


def test_only_static_files_with_their_hash_are_kept():
    assert "immutable" in talk(GUARD, "/static/a.js", query="v=0123abcd").one("cache-control")
    for path, query in [
        ("/static/a.js", ""),
        ("/static/a.js", "v=1"),
        ("/static/a.js", "xv=0123abcd"),
        ("/desk", "v=0123abcd"),
    ]:
        assert talk(GUARD, path, query=query).one("cache-control") == "no-store"


def test_tls_is_kept_to_where_it_is_spoken_and_the_name_is_ours_alone():
    assert "max-age" in talk(made(PUBLIC)[1], host="town.example:8443").one(
        "strict-transport-security"
    )
    here = Listen("127.0.0.1", 8000, cert=Path("c"), key=Path("k"))
    assert talk(made(here)[1]).all("strict-transport-security") == []


def test_what_breaks_is_told_to_the_log_alone(capsys):
    got = talk(GUARD, "/break")
    log = capsys.readouterr().err
    assert got.status == 500
    assert b"secret" not in got.body
    assert b"Traceback" not in got.body
    number = got.body.decode().split()[-1].rstrip(".")
    assert log.startswith(f"review {number}: GET '/break' broke")
    assert "RuntimeError: the secret of the page" in log


def test_a_500_of_the_page_itself_becomes_the_same_line(capsys):
    got = talk(GUARD, "/broken")
    assert got.status == 500
    assert b"Ann" not in got.body
    assert got.body.decode().split()[-1].rstrip(".") in capsys.readouterr().err


def test_an_answer_that_breaks_half_way_is_not_begun_again(capsys):
    got = talk(GUARD, "/late")
    assert got.status == 200
    assert "too late" in capsys.readouterr().err


# --- ways --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["X-Forwarded-For", "Forwarded", "Via", "X-Real-IP"])
def test_a_proxy_nobody_announced_is_refused(name):
    """Behind it the whole world would be this machine, and nobody would log in."""
    refused(talk(GUARD, headers=[(name, "1.2.3.4")]), 400)


PROXIED = Listen(
    "127.0.0.1",
    8000,
    behind_proxy=True,
    proxies=frozenset({"127.0.0.1"}),
    public=(("town.example", None),),
)
BY_PROXY = [("x-forwarded-proto", "https"), ("x-forwarded-for", "203.0.113.9")]


@pytest.mark.parametrize(
    ("client", "headers"),
    [
        ("10.0.0.7", BY_PROXY),
        ("", BY_PROXY),
        ("127.0.0.1", BY_PROXY[1:]),
        ("127.0.0.1", [("x-forwarded-proto", "http"), BY_PROXY[1]]),
        ("127.0.0.1", BY_PROXY[:1]),
        ("127.0.0.1", [BY_PROXY[0], ("x-forwarded-for", "someone")]),
        ("127.0.0.1", [BY_PROXY[0], ("x-forwarded-for", "127.0.0.1")]),
    ],
)
def test_forwarded_headers_count_from_the_proxy_alone(client, headers):
    got = talk(made_proxied()[1], host="town.example", client=client, headers=headers)
    assert got.status == 403


def made_proxied() -> tuple[Page, object]:
    page = Page()
    return page, guarded(page, PROXIED, None, user="Ann")


def test_behind_the_proxy_the_last_address_it_saw_is_the_client():
    """What a client wrote into the header itself stands before it, and is hearsay."""
    page, guard = made_proxied()
    sent = [BY_PROXY[0], ("x-forwarded-for", "127.0.0.1, 1.2.3.4, 203.0.113.9, 127.0.0.1")]
    for client in ("127.0.0.1", "::ffff:127.0.0.1"):
        assert talk(guard, host="town.example", client=client, headers=sent).status == 200
    assert {scope["client"][0] for scope in page.reached} == {"203.0.113.9"}
    assert {scope["scheme"] for scope in page.reached} == {"https"}
    assert talk(guard, host=HOST, headers=sent).status == 421


def test_web_sockets_are_refused():
    refused(talk(GUARD, headers=[("upgrade", "websocket"), ("connection", "upgrade")]), 400)
    sent = []

    async def receive():
        return {"type": "websocket.connect"}

    async def send(message):
        sent.append(message)

    asyncio.run(GUARD({"type": "websocket", "path": "/", "headers": []}, receive, send))
    assert sent == [{"type": "websocket.close", "code": 1008}]
    assert not PAGE.reached
