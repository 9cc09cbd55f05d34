"""The commands of the page: ``sleeveplan review`` and, for a page that others reach, its users."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Annotated

import typer

Folder = Annotated[Path, typer.Argument(help="Project folder, with planner.toml in it.")]
users = typer.Typer(no_args_is_help=True, help="Who may log in to the review page.")


def review(  # noqa: PLR0913 - one keyword for each option
    folder: Folder,
    *,
    listen: Annotated[
        str, typer.Option(help="HOST:PORT; beyond this machine it needs TLS and a log-in.")
    ] = "127.0.0.1:8000",
    cert: Annotated[Path | None, typer.Option(help="PEM file of the certificate.")] = None,
    key: Annotated[Path | None, typer.Option(help="PEM file of its key.")] = None,
    behind_proxy: Annotated[
        bool, typer.Option("--behind-proxy", help="A proxy before it does TLS.")
    ] = False,
    proxy: Annotated[
        list[str] | None, typer.Option(help="Address of that proxy; may be repeated.")
    ] = None,
    public_host: Annotated[
        list[str] | None, typer.Option(help="Name that browsers reach it by; may be repeated.")
    ] = None,
    login: Annotated[bool, typer.Option("--login", help="Ask for a log-in here too.")] = False,
    user: Annotated[
        str | None, typer.Option(help="Who sits here, where nobody logs in; for the log.")
    ] = None,
) -> None:
    """Open the project as a page in the browser: three desks.

    Engineer, planner and estimator see what the others do; see docs/review.md.
    """
    import uvicorn

    from planner.review.app import make_app
    from planner.review.guard import guarded
    from planner.review.listen import listen_at, take_port
    from planner.review.live import Live
    from planner.review.users import USERS_FILE, Users

    at = listen_at(
        listen, folder=folder, cert=cert, key=key, behind_proxy=behind_proxy,
        proxies=proxy or (), public_hosts=public_host or (), login=login,
    )  # fmt: skip
    socket, at = take_port(at)
    began = time.perf_counter()
    print(f"reading {folder}", file=sys.stderr)
    live = Live.open(folder)
    print(f"read and proposed: {time.perf_counter() - began:.1f} s", file=sys.stderr)
    page = make_app(live)
    page.state.make_ready()
    app = guarded(page, at, Users(folder / USERS_FILE) if at.login else None, user=user)
    server = uvicorn.Server(uvicorn.Config(app, **at.uvicorn_settings()))
    print(f"{at.url}  (Ctrl-C ends it)", flush=True)
    with live.store.keeping.editing():
        server.run([socket])


Name = Annotated[str, typer.Argument(help="Name to log in with.")]


def _file(folder: Path) -> Path:
    from planner.review.users import USERS_FILE

    return folder / USERS_FILE


def _password() -> str:
    """Ask for a password twice on a terminal; without one, take the first line of the input."""
    if sys.stdin.isatty():
        asked: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
        return asked
    return sys.stdin.readline().rstrip("\n")


@users.command("add")
def add(
    folder: Folder,
    name: Name,
    role: Annotated[str, typer.Option(help="reader, engineer, planner or estimator.")],
) -> None:
    """Let somebody log in; the password is asked for, or read from standard input."""
    from planner.review.users import add_user

    add_user(_file(folder), name, role, _password())
    print(f"{name}, {role}: may log in")


@users.command("password")
def password(folder: Folder, name: Name) -> None:
    """Give somebody another password; whoever is logged in by the old one is out."""
    from planner.review.users import set_password

    set_password(_file(folder), name, _password())
    print(f"{name}: has another password")


@users.command("remove")
def remove(folder: Folder, name: Name) -> None:
    """Let somebody log in no more."""
    from planner.review.users import remove_user

    remove_user(_file(folder), name)
    print(f"{name}: may log in no more")


@users.command("list")
def listed(folder: Folder) -> None:
    """List who may log in, with their roles."""
    from planner.review.users import list_users

    for name, role in list_users(_file(folder)):
        print(f"{name}\t{role}")
