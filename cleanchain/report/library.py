"""The chart library's script, as a page holds it: packed, known by its hash."""

from __future__ import annotations

import base64
import re
import zlib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files


@dataclass(frozen=True)
class Library:
    """plotly.js.

    Parameters
    ----------
    script : str
        The script as it runs.
    packed : str
        The same in UTF-8, deflated (RFC 1950), in base64: two fifths of the size.
    taken : sequence of str
        Identities of elements that the script leaves out if the page has them: style sheets of maps
        of the world, which the page's policy would refuse with a word on the console.
    """

    script: str
    packed: str
    taken: tuple[str, ...]


@lru_cache(maxsize=1)
def library() -> Library:
    """Read plotly.js from the installed package, without what the package does when it is used."""
    script = (files("plotly") / "package_data" / "plotly.min.js").read_text("utf-8")
    packed = base64.b64encode(zlib.compress(script.encode("utf-8"), 9)).decode("ascii")
    taken = re.findall(r'if\(!document\.getElementById\("([0-9a-f]{64})"\)', script)
    return Library(script, packed, tuple(sorted(set(taken))))
