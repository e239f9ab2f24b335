"""A preset applied to a take: its passport checked, its silence and stages handed on."""

from __future__ import annotations

from collections.abc import Sequence

from cleanchain.audio.source import Source
from cleanchain.errors import FitError
from cleanchain.measure.floor_seen import BandLevels
from cleanchain.presets.fit import Fit, check_fit
from cleanchain.presets.store import Stored
from cleanchain.silences import Silence
from cleanchain.stages.base import Stage


def silence_of(stored: Stored) -> Silence | None:
    """Return the silence of a preset, None where it carries no floor."""
    if stored.floor is None:
        return None
    return Silence(stored.floor.silence, "preset", path=stored.floor_path)


def fit_of(stored: Stored, take: Source, levels: list[BandLevels] | None = None) -> Fit | None:
    """Return how a take fits a preset's floor, None where it carries no floor.

    Raises
    ------
    FitError
        If rate or channels differ.
    """
    return None if stored.floor is None else check_fit(stored.floor, take, levels)


def refuse_misfit(fit: Fit, stored: Stored, take: str) -> None:
    """Refuse a take that was not recorded with a preset's floor, and say why and what to do.

    Raises
    ------
    FitError
        If the fit was refused.
    """
    if fit.verdict == "refused":
        what, fix = explain_misfit(fit, stored)
        raise FitError(what, where=take, fix=fix)


def explain_misfit(fit: Fit, stored: Stored) -> tuple[str, str]:
    """Return in words why a take is refused, and what to do."""
    passport = stored.preset.passport
    since = "" if passport is None else f" since {passport.made}"
    bad = [finding.words for finding in fit.findings if finding.verdict == "refused"]
    lines = [f"does not fit the preset {stored.name}:", *bad]
    again = f"cleanchain tune SILENCE --save {stored.name} --force"
    another = f"cleanchain tune SILENCE --save {stored.name}-2"
    own = any(finding.what == "mains" and finding.verdict == "refused" for finding in fit.findings)
    if own:
        lines.append("It was recorded on another mains, so the hum of the preset is not its hum.")
        fix = f"Record a silence there and tune a preset to it: {another}"
    elif fit.gain.moved:
        lines.append(
            f"Everything common lies {fit.gain.move_db:+.1f} dB ({fit.gain.words}): the gain was "
            f"moved{since}."
        )
        fix = (
            "Set the gain back as it was, or record a silence at this gain and tune again: " + again
        )
    elif fit.gain.moved is False:
        lines.append(
            f"The gain is as it was ({fit.gain.words}): the floor itself has changed, there{since}."
        )
        fix = f"Look for a loose shield, a failing preamp or a new neighbour; tune again: {again}"
    else:
        lines.append(
            f"The floors have nothing in common ({fit.gain.words}): another build, lead, input or "
            "place."
        )
        fix = f"Use the preset of this build, or record a silence of it and tune one: {another}"
    return "\n".join(lines), f"{fix}\nOr use the preset all the same: --fit anyway."


def with_overrides(stages: Sequence[Stage], given: Sequence[Stage]) -> list[Stage]:
    """Return a preset's stages with those that were given in the place of their namesakes.

    Those that the preset does not have are added at its end, in the order given.
    """
    chain = list(stages)
    for stage in given:
        at = next((n for n, old in enumerate(chain) if old.name == stage.name), len(chain))
        chain[at : at + 1] = [stage]
    return chain
