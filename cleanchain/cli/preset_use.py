"""A preset asked for on the command line: opened, held against the take, handed on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from cleanchain.cli.output import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cleanchain.audio.source import Source
    from cleanchain.silences import Silence
    from cleanchain.stages.base import Stage


class PresetName(click.ParamType[str]):
    """The name of a preset; the shell completes it."""

    name = "name"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the names that begin so."""
        from cleanchain.presets.names import all_names

        return [CompletionItem(name) for name in all_names() if name.startswith(incomplete)]


def use_preset(
    name: str, take: Source, given: Sequence[Stage], silence: str, anyway: bool
) -> tuple[Silence | None, list[Stage]]:
    """Return the silence and the stages of a preset for a take.

    Parameters
    ----------
    name : str
        Of the preset.
    take : Source
        What is to be cleaned.
    given : sequence of Stage
        Stages of the command line; each takes the place of its namesake in the preset.
    silence : str
        A silence that was named takes the place of the preset's floor, whose passport then does
        not matter.
    anyway : bool
        Whether a take that does not fit is cleaned all the same.

    Returns
    -------
    silence : Silence or None
        None where the preset's floor is not there or not wanted.
    stages : list of Stage
        The chain.

    Raises
    ------
    FitError
        If the take does not fit the passport.
    """
    from cleanchain.presets.applying import (
        explain_misfit,
        fit_of,
        refuse_misfit,
        silence_of,
        with_overrides,
    )
    from cleanchain.presets.store import open_preset

    stored = open_preset(name)
    chain = with_overrides(stored.preset.stages, given)
    found = silence_of(stored) if silence == "auto" else None
    if found is None:
        return None, chain
    fit = fit_of(stored, take)
    assert fit is not None
    if fit.verdict == "refused" and anyway:
        say(f"{take.name} {explain_misfit(fit, stored)[0]}\nused anyway, as you asked")
    else:
        refuse_misfit(fit, stored, take.name)
        for finding in fit.findings:
            if finding.verdict in ("warned", "unknown"):
                say(f"{finding.verdict}: {finding.words}")
    return found, chain
