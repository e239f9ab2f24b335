"""A chain of stages whose own options may stand before or after the file they work on."""

from __future__ import annotations

from collections.abc import Sequence

import click


class StageGroup(click.Group):
    """Like a chained group, but its options are read up to the first stage's name.

    A chained group stops reading options at its first argument, so that
    ``clean TAKE --out OUT gate`` would fail. Here the group's own words, in any order, end where
    a stage's name stands alone; a file with the name of a stage is given with its folder, as
    ``./gate``.
    """

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Bring the group's own words into the order that click expects."""
        options, arguments, stages = self._split(ctx, args)
        if not arguments and not {"--help", "-h"} & set(options):
            raise click.UsageError(
                "TAKE is missing: name the recording before the first stage.", ctx
            )
        return super().parse_args(ctx, [*options, "--", *arguments, *stages])

    def _split(self, ctx: click.Context, args: Sequence[str]) -> tuple[list[str], ...]:
        """Return the group's options with their values, its arguments, and the stages' words."""
        values = {
            name: 0 if getattr(option, "is_flag", False) else option.nargs
            for option in self.get_params(ctx)
            if isinstance(option, click.Option)
            for name in option.opts
        }
        options: list[str] = []
        arguments: list[str] = []
        words = list(args)
        while words:
            word = words[0]
            if word == "--":
                arguments += words[1:2]
                words = words[2:]
            elif word.startswith("-") and word != "-":
                count = 1 if "=" in word else 1 + values.get(word, 0)
                options += words[:count]
                words = words[count:]
            elif word in self.commands or arguments:
                break
            else:
                arguments.append(words.pop(0))
        return options, arguments, words
