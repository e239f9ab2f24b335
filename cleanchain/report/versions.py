"""Which files a page is about, and what worked on them."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version

import cleanchain
from cleanchain.report.elements import Table

_LIBRARIES = ("numpy", "scipy", "soundfile", "librosa", "noisereduce", "jinja2", "plotly")


def files_and_versions(hashes: Mapping[str, str]) -> Table:
    """Return the table of files with the hashes of their samples, and of what worked on them.

    Parameters
    ----------
    hashes : mapping of str to str
        By file name.
    """
    rows = [["cleanchain", cleanchain.__version__], ["Python", platform.python_version()]]
    for library in _LIBRARIES:
        try:
            rows.append([library, version(library)])
        except PackageNotFoundError:
            continue
    files = [[f"samples of {name}", text] for name, text in hashes.items()]
    return Table("Files and versions", ["what", "which"], [*files, *rows], words=True)
