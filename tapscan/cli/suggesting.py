"""A group of commands that asks back when a command is misspelt."""

import click

from tapscan.errors import nearest

__all__ = ["SuggestingGroup"]


class SuggestingGroup(click.Group):
    """A click group that names the command most like one that it does not have."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; a misspelt one is wrong usage, with the nearest name beside it."""
        word = args[0]
        if self.get_command(ctx, word) is None and not word.startswith("-"):
            close = nearest(word, self.list_commands(ctx))
            remedy = f"did you mean {close}?" if close else f"see {ctx.command_path} --help"
            ctx.fail(f"there is no command {word!r} ({remedy})")
        return super().resolve_command(ctx, args)
