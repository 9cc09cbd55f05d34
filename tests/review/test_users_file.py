"""The users file: what it must be to be read, how passwords stand in it, how it is changed."""

from __future__ import annotations

import base64
import hashlib
import os
import tomllib
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import FileError, SettingsError
from planner.review import users as module
from planner.review.users import (
    LOCAL,
    ROLES,
    Person,
    Users,
    add_user,
    check_name,
    hash_of,
    list_users,
    remove_user,
    set_password,
    verify,
)

WORD = "ten signs!"
STORED = hash_of(WORD)


def row(name: str = "Ann", role: str = "engineer", stored: str = STORED) -> str:
    return f'[[user]]\nname = "{name}"\nrole = "{role}"\nhash = "{stored}"\n'


def written(folder: Path, text: str, mode: int = 0o600) -> Path:
    path = folder / "users.toml"
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
    return path


# --- passwords ---------------------------------------------------------------------------------


def test_the_hash_is_scrypt_of_the_salt_beside_it():
    """By the standard library's scrypt (RFC 7914), from the figures the text states."""
    name, n, r, p, salt, stored = STORED.split("$")
    assert (name, int(n), int(r), int(p)) == ("scrypt", 2**15, 8, 1)
    again = hashlib.scrypt(
        WORD.encode(), salt=base64.b64decode(salt), n=2**15, r=8, p=1, maxmem=2**26, dklen=32
    )
    assert base64.b64decode(stored) == again
    assert len(base64.b64decode(salt)) == 16


def test_two_hashes_of_one_password_differ():
    assert hash_of(WORD) != STORED


def test_only_the_password_itself_fits():
    assert verify(WORD, STORED)
    for other in ("", WORD[:-1], WORD + " ", WORD.upper(), WORD + "\x00", "x" * 5_000):
        assert not verify(other, STORED)


def test_a_password_typed_in_two_spellings_is_one():
    """An e with an accent is one sign or two by the keyboard that wrote it."""
    stored = hash_of(unicodedata.normalize("NFD", "éééééééééé"))
    assert verify(unicodedata.normalize("NFC", "éééééééééé"), stored)


def test_short_and_endless_passwords_are_refused():
    for password in ("", "nine sign", "x" * 1_001, "ten signs!\x00"):
        with pytest.raises(SettingsError, match="10 to 1000"):
            hash_of(password)


def test_an_unknown_user_costs_one_hash_as_a_known_one_does(tmp_path, monkeypatch):
    """By construction: the same function is called as often, with a salt of the same length."""
    add_user(tmp_path / "users.toml", "Ann", "reader", WORD)
    known = Users(tmp_path / "users.toml")
    calls = []

    def counted(password, *, salt, **more):
        calls.append((len(salt), tuple(sorted(more.items()))))
        return bytes(32)

    monkeypatch.setattr(hashlib, "scrypt", counted)
    assert known.verified("Ann", "wrong word") is None
    assert known.verified("Nobody", "wrong word") is None
    assert len(calls) == 2
    assert calls[0] == calls[1]


def test_nobody_gets_in_by_a_hash_of_nothing(tmp_path):
    """What stands for an unknown user is no user, even if its hash were found."""
    add_user(tmp_path / "users.toml", "Ann", "reader", WORD)
    assert Users(tmp_path / "users.toml").verified("Nobody", WORD) is None


# --- roles -------------------------------------------------------------------------------------


def test_each_role_may_do_its_own_and_no_more():
    """The table of the brief: all read; decide, plan and price are one role's each."""
    may = {
        role: {verb for verb in ("read", "decide", "plan", "price") if Person("x", role).may(verb)}
        for role in ("reader", "engineer", "planner", "estimator", LOCAL, "", "admin")
    }
    assert may == {
        "reader": {"read"},
        "engineer": {"read", "decide"},
        "planner": {"read", "plan"},
        "estimator": {"read", "price"},
        LOCAL: {"read", "decide", "plan", "price"},
        "": set(),
        "admin": set(),
    }


def test_a_verb_that_there_is_not_is_a_slip_and_no_answer():
    with pytest.raises(ValueError, match="no verb"):
        Person("x", LOCAL).may("decde")


def test_the_local_person_is_no_role_of_the_file(tmp_path):
    assert LOCAL not in ROLES
    with pytest.raises(FileError, match="role: found 'local'"):
        Users(written(tmp_path, row(role=LOCAL)))


# --- the file ----------------------------------------------------------------------------------


def test_users_are_added_changed_listed_and_removed(tmp_path):
    path = tmp_path / "users.toml"
    assert list_users(path) == []
    add_user(path, "Zoë O'Hara", "planner", WORD)
    add_user(path, "ann", "engineer", WORD)
    assert list_users(path) == [("ann", "engineer"), ("Zoë O'Hara", "planner")]
    assert path.stat().st_mode & 0o777 == 0o600
    assert WORD not in path.read_text(encoding="utf-8")
    set_password(path, "ANN", "another word")
    users = Users(path)
    assert users.verified("Ann", WORD) is None
    assert users.verified("Ann", "another word").name == "ann"
    assert users.verified("zoë o'hara", WORD).role == "planner"
    remove_user(path, "Ann")
    assert list_users(path) == [("Zoë O'Hara", "planner")]
    assert [one.name for one in tmp_path.iterdir()] == ["users.toml"]


@pytest.mark.parametrize(
    ("act", "error"),
    [
        (lambda path: add_user(path, "ANN", "reader", WORD), "already"),
        (lambda path: add_user(path, "Bob", "boss", WORD), "role: found 'boss'"),
        (lambda path: add_user(path, "Bob", "reader", "short"), "found 5 signs"),
        (lambda path: add_user(path, 'B"', "reader", WORD), "user name"),
        (lambda path: remove_user(path, "Bob"), "no user Bob"),
        (lambda path: set_password(path, "Bob", WORD), "no user Bob"),
        (lambda path: set_password(path, "Ann", "short"), "found 5 signs"),
    ],
)
def test_what_is_refused_leaves_the_file_as_it_was(tmp_path, act, error):
    path = written(tmp_path, row())
    before = path.read_bytes()
    with pytest.raises(SettingsError, match=error):
        act(path)
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["users.toml"]


def test_two_who_change_it_at_once_cannot_lose_a_change(tmp_path):
    path = written(tmp_path, row())
    (tmp_path / "users.toml.new").touch()
    with pytest.raises(FileError, match="somebody changes the users just now"):
        add_user(path, "Bob", "reader", WORD)
    assert (tmp_path / "users.toml.new").exists()


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604, 0o660, 0o700])
def test_a_file_that_others_may_read_is_refused(tmp_path, mode):
    path = written(tmp_path, row(), mode)
    for act in (Users, list_users, lambda path: add_user(path, "Bob", "reader", WORD)):
        with pytest.raises(FileError, match=f"users.toml: found mode {mode:04o}; wanted 0600"):
            act(path)


def test_links_folders_and_pipes_are_refused(tmp_path):
    real = written(tmp_path, row())
    link = tmp_path / "link.toml"
    link.symlink_to(real)
    os.mkfifo(tmp_path / "pipe.toml", 0o600)
    (tmp_path / "folder.toml").mkdir(mode=0o700)
    for name in ("link.toml", "pipe.toml", "folder.toml", "none.toml"):
        with pytest.raises(FileError, match=name):
            Users(tmp_path / name)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[user]", "no TOML"),
        ("user = 1\n", "wanted"),
        ("admin = true\n" + row(), "admin"),
        ('[[user]]\nname = "Ann"\n', "user 1: wanted name, role and hash"),
        (row() + "extra = 1\n", "user 1: wanted name, role and hash"),
        (row().replace('"Ann"', "1"), "user 1: wanted text"),
        (row() + row("ANN"), "user 2: found ANN twice"),
        (row("a\\nb"), "user 1: user name"),
        (row(role="admin"), "role: found 'admin'"),
        (row(stored=WORD), "set the password anew"),
        (row(stored=STORED.replace("32768", "1024")), "set the password anew"),
        (row(stored=STORED[:-8]), "."),
        (row(stored="scrypt$32768$8$1$$"), "set the password anew"),
    ],
)
def test_a_file_that_says_something_else_is_refused_in_one_line(tmp_path, text, said):
    """A password in the clear is not repeated in the message."""
    with pytest.raises(FileError, match=said) as caught:
        Users(written(tmp_path, text))
    assert "\n" not in str(caught.value).replace("\\n", "")
    assert WORD not in str(caught.value)


def test_a_changed_file_counts_at_once_and_a_broken_one_lets_nobody_in(tmp_path):
    path = written(tmp_path, row())
    users = Users(path)
    assert users.get("ann").role == "engineer"
    add_user(path, "Bob", "reader", WORD)
    assert users.get("bob").role == "reader"
    path.chmod(0o644)
    for _ in range(2):
        with pytest.raises(FileError):
            users.get("ann")
    path.chmod(0o600)
    assert users.get("ann") is not None
    path.unlink()
    with pytest.raises(FileError):
        users.get("ann")
    assert users.get("ann") is None


NAMES = st.text(min_size=1, max_size=8)


@given(NAMES)
def test_whatever_name_is_taken_is_read_back_and_nothing_beside_it(name):
    """The file is written by hand: no name may end its text, and none is changed by the way."""
    try:
        spelled = check_name(name)
    except SettingsError:
        return
    assert spelled == unicodedata.normalize("NFC", name)
    user = module.User(spelled, "reader", STORED)
    assert tomllib.loads(module._written({"x": user})) == {
        "user": [{"name": spelled, "role": "reader", "hash": STORED}]
    }


@pytest.mark.parametrize("name", ["Ann", "ann.b@town", "Jürgen Groß", "देवी", "9", "O'Hara"])
def test_names_of_people_are_names(name):
    assert check_name(name) == unicodedata.normalize("NFC", name)


@pytest.mark.parametrize(
    "name", ["", " a", "a ", "-a", "a\n", 'a"', "a\\", "a\u202eb", "a|b", "<a>", "x" * 65]
)
def test_what_could_deceive_in_the_log_is_no_name(name):
    with pytest.raises(SettingsError, match="user name"):
        check_name(name)
