"""What recordings are, told by what they hold."""

from __future__ import annotations

from collections.abc import Sequence

from cleanchain.audio.source import Source
from cleanchain.compare.chain import is_chain
from cleanchain.compare.takes import one_moment
from cleanchain.measure.alignment import Alignment

#: Kinds of comparison, besides "auto".
KINDS = ("silence", "stimulus", "at-once", "chain")
_NAMES = {
    "silence": "silence captures",
    "stimulus": "stimulus captures",
    "at-once": "takes of one moment",
    "chain": "one take before and after a chain",
}


def tell_kind(
    takes: Sequence[Source], silences: bool, stimuli: bool
) -> tuple[str, str, list[Alignment] | None]:
    """Tell what recordings are.

    Parameters
    ----------
    takes : sequence of Source
        Two or more, of one channel and one rate.
    silences, stimuli : bool
        Whether silences or stimulus captures of their own came with them.

    Returns
    -------
    kind, words : str
        One of `KINDS`, and why.
    places : list of Alignment or None
        Where takes of one moment lie.
    """
    if stimuli:
        return "silence", _words("silence", "stimulus captures came with them"), None
    if len(takes) == 2 and not silences and is_chain(takes[0], takes[1]):
        return "chain", _words("chain", "B holds no noise that is not in A"), None
    places: list[Alignment] = []
    for other in takes[1:4]:
        place = one_moment(takes[0], other)
        if place is None:
            break
        places.append(place)
    if len(places) == len(takes) - 1:
        return "at-once", _words("at-once", "they hold the same, at the same pace"), places
    if silences:
        return "stimulus", _words("stimulus", "silences came with them"), None
    return "silence", _words("silence", "what they hold has nothing in common but chance"), None


def _words(kind: str, why: str) -> str:
    return f"Taken for {_NAMES[kind]}: {why} (--kind says otherwise)."


def said(kind: str) -> str:
    """Return the words for a kind that the user named."""
    return f"Taken for {_NAMES[kind]}, as --kind says."
