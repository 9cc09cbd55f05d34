"""Templates and files of the page: each text from data is escaped, each file is our own.

The content-security policy lets no inline script and no inline style run, so templates hold
neither: what depends on data stands in classes and in ``data-`` attributes.
"""

from __future__ import annotations

import hashlib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from planner.review.jobs import Jobs
from planner.review.live import PUT_BACK, Live

TYPES = {".js": "text/javascript", ".css": "text/css", ".png": "image/png", ".svg": "image/svg+xml"}
DESKS = (("engineer", "Engineer"), ("planner", "Planner"), ("estimator", "Estimator"))


def _data(name: str) -> Path:
    return Path(str(resources.files("planner"))) / "data" / name


@cache
def _files() -> dict[str, tuple[bytes, str, str]]:
    """Read the files that the page may ask for, by name: content, type, digest."""
    root, found = _data("web"), {}
    for path in sorted(root.rglob("*")):
        if path.is_file() and path.suffix in TYPES:
            content = path.read_bytes()
            digest = hashlib.sha256(content).hexdigest()[:12]
            found[path.relative_to(root).as_posix()] = (content, TYPES[path.suffix], digest)
    return found


def file_url(name: str) -> str:
    """Give the address of a file in ``planner/data/web``; it changes with the content."""
    return f"/static/{name}?v={_files()[name][2]}"


def answer_file(name: str) -> Response:
    """Give a file of ``planner/data/web`` by its exact name; 404 for any other name."""
    found = _files().get(name)
    if found is None:
        return Response("There is no such file.\n", 404, media_type="text/plain")
    content, kind, _ = found
    kept = {"Cache-Control": "max-age=31536000, immutable"}
    return Response(content, media_type=kind, headers=kept)


@cache
def _templates() -> Environment:
    """Read all templates at once: those of a newer version, put there later, fit not this code."""
    world = Environment(
        loader=FileSystemLoader(_data("review")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
        cache_size=-1,
    )
    world.globals["file_url"] = file_url
    world.globals["desks"] = DESKS
    for name in world.list_templates(extensions=["html"]):
        world.get_template(name)
    return world


class Pages:
    """Fills templates of ``planner/data/review``."""

    def __init__(self, live: Live, jobs: Jobs) -> None:
        self._live, self._jobs = live, jobs
        self._templates = _templates()

    def fill(self, request: Request, name: str, **values: Any) -> str:  # noqa: ANN401
        """Fill one template; it also sees `frame_of` what is above every desk."""
        template = self._templates.get_template(name)
        return template.render(**self.frame_of(request), **values)

    def page(self, request: Request, name: str, *, status: int = 200, **values: Any) -> Response:  # noqa: ANN401
        """Answer with a filled template."""
        return HTMLResponse(self.fill(request, name, **values), status)

    def frame_of(self, request: Request) -> dict[str, Any]:
        """Give what each template may show of person, project, data and long work."""
        live = self._live
        return {
            "person": request.scope["person"],
            "csrf": request.scope["csrf"],
            "path": request.url.path,
            "facts": live.facts,
            "version": live.version,
            # Asked for where it is shown: it looks at every file of the project.
            "age": live.age,
            "due": live.due,
            "put_back": PUT_BACK if live.put_back else "",
            "jobs": self._jobs.all()[:1],
        }
