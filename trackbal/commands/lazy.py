"""A group of commands that are imported when they are asked for, so that help and version stay instant."""

from __future__ import annotations

import importlib
from typing import Any

import click


class LazyGroup(click.Group):
    """A group whose commands live in modules of trackbal.commands.

    Parameters
    ----------
    homes : dict
        Command -> "module:attribute", in the order in which help lists them.
    """

    def __init__(self, *args: Any, homes: dict[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._homes = homes

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of the commands, in their order."""
        return list(self._homes)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """Return a command, imported now; None if there is none of that name."""
        if name not in self._homes:
            return None
        module, attribute = self._homes[name].split(":")
        command: click.Command = getattr(importlib.import_module(f"trackbal.commands.{module}"), attribute)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return a command with its name and the arguments after it.

        A name that begins with neither letter nor digit is no command either; click before 8.2 would answer it with
        the help, exit 0. Raises click.UsageError.
        """
        if args and not args[0][:1].isalnum() and self.get_command(ctx, args[0]) is None:
            ctx.fail(f"No such command {args[0]!r}.")
        return super().resolve_command(ctx, args)
