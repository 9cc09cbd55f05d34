"""Photos are handed out by the names that the data have, and nothing else is."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from asgi_talk import talk
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.review.guard import guarded
from planner.review.listen import listen_at
from planner.review.media import Photos

# The first signs of each format: PNG 3rd edition 5.2, JPEG (ITU T.81) SOI + marker, GIF89a 17,
# RFC 9649 2.4.
PICTURES = {
    "a.png": (b"\x89PNG\r\n\x1a\n" + bytes(8), "image/png"),
    "b.jpg": (b"\xff\xd8\xff\xe0" + bytes(200_000), "image/jpeg"),
    "c.gif": (b"GIF89a" + bytes(10), "image/gif"),
    "d.gif": (b"GIF87a", "image/gif"),
    "e.webp": (b"RIFF\x04\x00\x00\x00WEBPVP8 ", "image/webp"),
    "wrong.txt": (b"GIF89a" + bytes(10), "image/gif"),
}
OTHERS = {
    "f.svg": b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>',
    "g.png": b"<html><script>alert(1)</script>",
    "h.webp": b"RIFF\x04\x00\x00\x00WAVEfmt ",
    "i.jpg": b"",
    "j.png": b"\x89PNG",
    "k.bmp": b"BM" + bytes(20),
}


@pytest.fixture(scope="module")
def media(tmp_path_factory) -> Path:
    """A media folder with a secret beside it, and links of every kind."""
    town = tmp_path_factory.mktemp("town")
    folder = town / "media"
    folder.mkdir()
    for name, (raw, _) in PICTURES.items():
        (folder / name).write_bytes(raw)
    for name, raw in OTHERS.items():
        (folder / name).write_bytes(raw)
    (town / "outside.gif").write_bytes(b"GIF89a secret")
    (town / "more").mkdir()
    (town / "more" / "x.gif").write_bytes(b"GIF89a secret")
    (folder / "out.gif").symlink_to(town / "outside.gif")
    (folder / "within.gif").symlink_to(folder / "c.gif")
    (folder / "away").symlink_to(town / "more")
    (folder / "loop.gif").symlink_to(folder / "loop.gif")
    (folder / "dead.gif").symlink_to(folder / "none.gif")
    (folder / "folder.gif").mkdir()
    os.mkfifo(folder / "pipe.gif")
    return folder


def asked(photos: Photos, name: str):
    return talk(photos.answer(name), "/photo")


@pytest.mark.parametrize("name", sorted(PICTURES))
def test_pictures_are_told_by_their_first_signs(media, name):
    raw, kind = PICTURES[name]
    got = asked(Photos(media, {"id": media / name}), "id")
    assert (got.status, got.body, got.one("content-type")) == (200, raw, kind)
    assert got.one("content-length") == str(len(raw))
    assert got.one("content-disposition") == "inline"
    assert got.one("x-content-type-options") == "nosniff"
    assert got.one("content-security-policy") == "sandbox; default-src 'none'"


@pytest.mark.parametrize("name", sorted(OTHERS))
def test_whatever_else_bears_the_name_of_a_picture_is_refused(media, name):
    got = asked(Photos(media, {"id": media / name}), "id")
    assert (got.status, got.body) == (404, b"The photo is no PNG, JPEG, GIF or WebP.\n")


@pytest.mark.parametrize(
    "path",
    [
        "out.gif",
        "away/x.gif",
        "../outside.gif",
        "../media/../outside.gif",
        "loop.gif",
        "dead.gif",
        "folder.gif",
        "pipe.gif",
        "none.gif",
        "c.gif/x",
        "a\x00.gif",
        "x" * 5_000,
        ".",
        "",
    ],
)
def test_links_out_and_what_is_no_file_are_refused(media, path):
    """Even where the mapping itself names them: a folder can change after it was listed."""
    for stated in (Path(path), media / path):
        got = asked(Photos(media, {"id": stated}), "id")
        assert (got.status, got.body) == (404, b"There is no photo of this name.\n")
    assert asked(Photos(media, {"id": media.parent / "outside.gif"}), "id").status == 404


def test_a_link_within_the_folder_is_followed(media):
    assert asked(Photos(media, {"id": Path("within.gif")}), "id").status == 200


def test_a_media_folder_that_is_a_link_itself_is_where_it_points(media, tmp_path):
    (tmp_path / "media").symlink_to(media)
    photos = Photos(tmp_path / "media", {"id": tmp_path / "media" / "c.gif"})
    assert asked(photos, "id").status == 200


NEAR = ["a.png", "../outside.gif", "%2e%2e/outside.gif", "..\\outside.gif", "/etc/passwd", "ID", ""]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=20) | st.sampled_from(NEAR))
def test_no_name_but_those_of_the_data_opens_anything(media, name):
    photos = Photos(media, {"id": media / "a.png"})
    assert asked(photos, name).status == (200 if name == "id" else 404)


def test_a_photo_beyond_the_limit_is_refused(media):
    size = len(PICTURES["c.gif"][0])
    for most, status in ((size, 200), (size - 1, 404)):
        assert asked(Photos(media, {"id": media / "c.gif"}, most=most), "id").status == status


def test_no_file_stays_open(media):
    """Counted by the system: as many open before as after, whatever was answered."""
    photos = Photos(media, {name: Path(name) for name in [*PICTURES, *OTHERS, "pipe.gif"]})
    before = len(list(Path("/proc/self/fd").iterdir()))
    for name in [*PICTURES, *OTHERS, "pipe.gif", "none"]:
        asked(photos, name)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_behind_the_guard_both_policies_stand(media):
    """The browser obeys the stricter of each."""
    guard = guarded(
        Photos(media, {"id": Path("a.png")}).answer("id"), listen_at(folder=media), None, user="A"
    )
    got = talk(guard, "/photo")
    policies = got.all("content-security-policy")
    assert len(policies) == 2
    assert "sandbox; default-src 'none'" in policies
    assert got.all("x-content-type-options") == ["nosniff"]
