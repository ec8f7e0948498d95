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
