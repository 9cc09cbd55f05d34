"""Who may log in to the review page: names, roles and hashed passwords in users.toml."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import os
import secrets
import stat
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from planner.errors import FileError, SettingsError

USERS_FILE = "users.toml"
# What each role may do; a verb that stands nowhere here is nobody's.
ROLES: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "reader": frozenset({"read"}),
        "engineer": frozenset({"read", "decide"}),
        "planner": frozenset({"read", "plan"}),
        "estimator": frozenset({"read", "price"}),
    }
)
VERBS = frozenset().union(*ROLES.values())
# The one person on this machine, where nobody logs in; no users file can give it.
LOCAL = "local"
LEAST_SIGNS, MOST_SIGNS = 10, 1_000
_MOST_NAME = 64
_MOST_BYTES = 1_000_000
# scrypt, RFC 7914: 128 * n * r = 32 MiB and about 0.1 s a guess. One set of figures for all, so
# that no user is told from another, or from nobody, by the time a log-in takes.
_N, _R, _P = 2**15, 8, 1
_MEMORY = 64 * 2**20
_SALT_BYTES, _HASH_BYTES = 16, 32
# The HMAC in scrypt fills its key up with these, so that a password and it with one more fit alike.
_NUL = "\x00"
# What may stand in a name beside letters, marks and figures of any script; nothing unseen.
_SIGNS = frozenset(" ._-@'")
_HEAD = "# Who may log in to the review page. Written by sleeveplan; only its owner may read it.\n"


@dataclass(frozen=True)
class Person:
    """Who does something on the review page, and as what."""

    name: str
    role: str

    def may(self, verb: str) -> bool:
        """Tell whether the role may do it.

        Parameters
        ----------
        verb
            One of `VERBS`: read, decide, plan, price.

        Raises
        ------
        ValueError
            If there is no such verb: a slip in the page, which must not pass as a no or a yes.
        """
        if verb not in VERBS:
            message = f"no verb {verb!r}"
            raise ValueError(message)
        return self.role == LOCAL or verb in ROLES.get(self.role, frozenset())


@dataclass(frozen=True)
class User:
    """One row of the users file."""

    name: str
    role: str
    hash: str


class Users:
    """The users file as it is now: it is read anew whenever it has changed."""

    def __init__(self, path: Path) -> None:
        """Read the file.

        Raises
        ------
        FileError
            If it cannot be read, others may read it, or it says something it must not.
        """
        self.path = path
        self._stamp = _stamp(path)
        self._users = _read(path)

    def get(self, name: str) -> User | None:
        """Give the user of this name, however it is capitalised; None where there is none.

        Raises
        ------
        FileError
            If the file has changed and cannot be read any more: then nobody is known.
        """
        stamp = _stamp(self.path)
        if stamp != self._stamp:
            self._users = {}
            self._stamp = None
            self._users = _read(self.path)
            self._stamp = stamp
        return self._users.get(_key(name))

    def verified(self, name: str, password: str) -> User | None:
        """Give the user whose name and password these are; one hash is made in every case."""
        user = self.get(name)
        known = verify(password, _NOBODY if user is None else user.hash)
        return user if known else None


def check_name(name: str) -> str:
    """Give the name in its one spelling (NFC).

    Raises
    ------
    SettingsError
        If it is none that may stand in the log.
    """
    spelled = unicodedata.normalize("NFC", name)
    kinds = [unicodedata.category(sign)[0] for sign in spelled]
    seen = all(kind in "LMN" or sign in _SIGNS for sign, kind in zip(spelled, kinds, strict=True))
    if (
        not 1 <= len(spelled) <= _MOST_NAME
        or not seen
        or kinds[0] not in "LN"
        or spelled[-1] == " "
    ):
        message = (
            f"user name: found {name[:_MOST_NAME]!r}; wanted 1 to {_MOST_NAME} letters, figures, "
            "spaces, . _ - @ ', beginning with a letter or figure"
        )
        raise SettingsError(message)
    return spelled


def hash_of(password: str) -> str:
    """Hash a password with a salt of its own: ``scrypt$n$r$p$salt$hash``.

    Raises
    ------
    SettingsError
        If the password is too short or too long.
    """
    spelled = unicodedata.normalize("NFC", password)
    if not LEAST_SIGNS <= len(spelled) <= MOST_SIGNS or _NUL in spelled:
        message = (
            f"password: found {len(spelled)} signs; wanted {LEAST_SIGNS} to {MOST_SIGNS} of them, "
            "none of them NUL"
        )
        raise SettingsError(message)
    salt = secrets.token_bytes(_SALT_BYTES)
    return "$".join(
        ("scrypt", str(_N), str(_R), str(_P), _text(salt), _text(_scrypt(spelled, salt)))
    )


def verify(password: str, stored: str) -> bool:
    """Tell whether this is the password that was hashed; the time does not tell how near it is."""
    salt, wanted = _parts(stored)
    spelled = unicodedata.normalize("NFC", password)
    found = _scrypt(spelled[:MOST_SIGNS], salt)
    return hmac.compare_digest(found, wanted) and len(spelled) <= MOST_SIGNS and _NUL not in spelled


def list_users(path: Path) -> list[tuple[str, str]]:
    """Give name and role of each user, by name; none where there is no file."""
    return [(user.name, user.role) for _, user in sorted(_read_if_any(path).items())]


def add_user(path: Path, name: str, role: str, password: str) -> None:
    """Add a user; the file is made if there is none.

    Raises
    ------
    SettingsError
        If the name is taken or none, the role unknown, or the password too short.
    FileError
        If the file cannot be read or written; then it is as it was.
    """
    spelled = check_name(name)
    user = User(spelled, _check_role(role), hash_of(password))
    with _Change(path) as users:
        if _key(spelled) in users:
            message = f"{path.name}: there is a user {users[_key(spelled)].name} already"
            raise SettingsError(message)
        users[_key(spelled)] = user


def set_password(path: Path, name: str, password: str) -> None:
    """Give a user another password; open sessions of theirs end.

    Raises
    ------
    SettingsError
        If there is no such user, or the password is too short.
    FileError
        If the file cannot be read or written; then it is as it was.
    """
    fresh = hash_of(password)
    with _Change(path) as users:
        user = _known(path, users, name)
        users[_key(name)] = User(user.name, user.role, fresh)


def remove_user(path: Path, name: str) -> None:
    """Remove a user; open sessions of theirs end.

    Raises
    ------
    SettingsError
        If there is no such user.
    FileError
        If the file cannot be read or written; then it is as it was.
    """
    with _Change(path) as users:
        _known(path, users, name)
        del users[_key(name)]


class _Change:
    """The users as they are, written aside and put in place of the file at the end.

    The file aside is made only if there is none: two that change the file at once cannot lose
    each other's change.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._aside = path.with_name(path.name + ".new")

    def __enter__(self) -> dict[str, User]:
        try:
            self._file = os.open(self._aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            message = (
                f"{self._aside.name}: found it; wanted none: somebody changes the users just now, "
                "or was stopped while doing so (then remove this file)"
            )
            raise FileError(message) from None
        except OSError as error:
            message = f"{self._path.name}: cannot be written ({error.strerror})"
            raise FileError(message) from error
        try:
            self._users = _read_if_any(self._path)
        except BaseException:
            self._drop()
            raise
        return self._users

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self._drop()
            return
        try:
            with os.fdopen(self._file, "w", encoding="utf-8") as file:
                file.write(_written(self._users))
                file.flush()
                os.fsync(file.fileno())
            self._aside.replace(self._path)
        except OSError as error:
            self._aside.unlink(missing_ok=True)
            message = f"{self._path.name}: cannot be written ({error.strerror})"
            raise FileError(message) from error

    def _drop(self) -> None:
        os.close(self._file)
        self._aside.unlink(missing_ok=True)


def _written(users: Mapping[str, User]) -> str:
    rows = [
        f"\n[[user]]\nname = {json.dumps(user.name, ensure_ascii=False)}\n"
        f'role = "{user.role}"\nhash = "{user.hash}"\n'
        for _, user in sorted(users.items())
    ]
    return _HEAD + "".join(rows)


def _read_if_any(path: Path) -> dict[str, User]:
    return _read(path) if os.path.lexists(path) else {}


def _stamp(path: Path) -> tuple[int, ...] | None:
    try:
        found = path.lstat()
    except OSError:
        return None
    return (found.st_ino, found.st_mtime_ns, found.st_ctime_ns, found.st_size, found.st_mode)


def _read(path: Path) -> dict[str, User]:
    try:
        rows = tomllib.loads(_text_of(path))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        message = f"{path.name}: no TOML ({error})"
        raise FileError(message) from None
    listed = rows.pop("user", [])
    if rows or not isinstance(listed, list):
        message = f"{path.name}: found {', '.join(rows) or 'user'}; wanted [[user]] alone"
        raise FileError(message)
    users: dict[str, User] = {}
    for number, row in enumerate(listed, 1):
        user = _user_of(f"{path.name}, user {number}", row)
        if _key(user.name) in users:
            message = f"{path.name}, user {number}: found {user.name} twice; wanted each name once"
            raise FileError(message)
        users[_key(user.name)] = user
    return users


def _text_of(path: Path) -> str:
    """Read the file if it is one, ours, and nobody else's to read."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        with os.fdopen(os.open(path, flags), "rb") as file:
            found = os.fstat(file.fileno())
            if not stat.S_ISREG(found.st_mode):
                message = f"{path.name}: found no plain file; wanted one"
                raise FileError(message)
            if os.name == "posix" and stat.S_IMODE(found.st_mode) & 0o177:
                message = (
                    f"{path.name}: found mode {stat.S_IMODE(found.st_mode):04o}; wanted 0600, so "
                    f"that nobody else reads it (chmod 600 {path.name})"
                )
                raise FileError(message)
            if os.name == "posix" and found.st_uid not in (0, os.geteuid()):
                message = f"{path.name}: belongs to another user of this machine"
                raise FileError(message)
            return file.read(_MOST_BYTES).decode("utf-8")
    except OSError as error:
        message = f"{path.name}: cannot be read ({error.strerror})"
        raise FileError(message) from error


def _user_of(where: str, row: object) -> User:
    if not isinstance(row, dict) or set(row) != {"name", "role", "hash"}:
        message = f"{where}: wanted name, role and hash"
        raise FileError(message)
    name, role, stored = row["name"], row["role"], row["hash"]
    if not (isinstance(name, str) and isinstance(role, str) and isinstance(stored, str)):
        message = f"{where}: wanted text for name, role and hash"
        raise FileError(message)
    try:
        _parts(stored)
        return User(check_name(name), _check_role(role), stored)
    except (SettingsError, ValueError) as error:
        message = f"{where}: {error}"
        raise FileError(message) from None


def _check_role(role: str) -> str:
    if role not in ROLES:
        message = f"role: found {role!r}; wanted one of {', '.join(ROLES)}"
        raise SettingsError(message)
    return role


def _known(path: Path, users: Mapping[str, User], name: str) -> User:
    user = users.get(_key(name))
    if user is None:
        message = f"{path.name}: there is no user {name}"
        raise SettingsError(message)
    return user


def _key(name: str) -> str:
    """Make two names that look alike but for capitals the same."""
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())


def _text(raw: bytes) -> str:
    return base64.b64encode(raw).decode("ascii")


def _parts(stored: str) -> tuple[bytes, bytes]:
    """Give salt and hash.

    Raises
    ------
    ValueError
        If it is not a hash as this module makes it; the text does not repeat it.
    """
    parts = stored.split("$")
    if len(parts) == 6 and parts[:4] == ["scrypt", str(_N), str(_R), str(_P)]:
        salt = base64.b64decode(parts[4], validate=True)
        wanted = base64.b64decode(parts[5], validate=True)
        if len(salt) == _SALT_BYTES and len(wanted) == _HASH_BYTES:
            return salt, wanted
    message = "hash: wanted scrypt$n$r$p$salt$hash as sleeveplan writes it; set the password anew"
    raise ValueError(message)


def _scrypt(password: str, salt: bytes) -> bytes:
    return hashlib.scrypt(
        password.encode("utf-8", "surrogatepass"),
        salt=salt,
        n=_N,
        r=_R,
        p=_P,
        maxmem=_MEMORY,
        dklen=_HASH_BYTES,
    )


# What the password of a user that there is not is held against: no password has this hash.
_NOBODY = "$".join(
    ("scrypt", str(_N), str(_R), str(_P), _text(bytes(_SALT_BYTES)), _text(bytes(_HASH_BYTES)))
)
