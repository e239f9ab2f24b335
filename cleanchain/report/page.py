"""One page in one file: elements in, HTML out, nothing fetched, nothing foreign that runs."""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import cleanchain
from cleanchain.audio.atomic import disk_error, renamed_when_whole
from cleanchain.report.axes import glued
from cleanchain.report.elements import Page
from cleanchain.report.library import library

if TYPE_CHECKING:
    from jinja2 import Environment

_SCRIPTS = ("marks.js", "charts.js", "hearing.js")


def write_page(page: Page, path: Path, *, overwrite: bool = False) -> int:
    """Write a page into a file, all or nothing.

    Parameters
    ----------
    page : Page
        What it holds.
    path : Path
        Where it goes; checked before by `cleanchain.audio.writing.check_place`.
    overwrite : bool, optional
        Whether an existing file may be replaced.

    Returns
    -------
    int
        Bytes written.

    Raises
    ------
    OutputError
        If the disk is full or the file cannot be written.
    """
    data = render(page).encode("utf-8", "replace")
    try:
        with renamed_when_whole(path, overwrite=overwrite) as part:
            part.write_bytes(data)
    except OSError as error:
        raise disk_error(error, path) from None
    return len(data)


def render(page: Page) -> str:
    """Return a page as HTML.

    Every text is escaped. The page's policy lets only its own style sheet and scripts work, known
    by their hashes (Content Security Policy Level 3), and pictures that it holds itself; it can
    reach no network and send nothing. The chart library is such a script: `charts.js` unpacks it.

    Parameters
    ----------
    page : Page
        What it holds.
    """
    style = _resource("page.css")
    scripts = [_resource(name) for name in _SCRIPTS]
    drawn_by = library()
    policy = "; ".join(
        (
            "default-src 'none'",
            f"script-src {' '.join(map(_hash, (*scripts, drawn_by.script)))}",
            f"style-src {_hash(style)}",
            "img-src data:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    template = _environment().get_template("page.html.jinja")
    return template.render(
        page=page,
        policy=policy,
        style=style,
        scripts=scripts,
        library=drawn_by,
        version=cleanchain.__version__,
    )


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


@lru_cache(maxsize=8)
def _resource(name: str) -> str:
    return (files("cleanchain.report") / "templates" / name).read_text("utf-8")


@lru_cache(maxsize=1)
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("cleanchain.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["glued"] = glued
    return environment
