"""The groups of the command line: help that reads like a table of contents, errors as one sentence."""

from typing import Any

import typer
from typer.core import TyperGroup

from cli.errors import explain

PANELS = {
    "Before the day": (
        "station check", "station pack", "tags import", "tags list", "tags cards", "instruments list", "instruments check",
        "station sounds",
    ),
    "At the water": (
        "station run", "station pair", "station status", "survey open", "survey name", "run start", "run end",
        "run work-up", "command",
        "fish history",
    ),
    "After the day": (
        "survey close", "survey status", "survey list", "fish list", "station snapshot",
    ),
    "In the office": (
        "office pull", "office status", "office conflicts list", "office conflicts decide", "office review",
        "office amend", "office import", "office pack", "office export", "office publish",
    ),
    "The answers": (
        "answer condition", "answer structure", "answer growth", "answer catch", "answer abundance", "answer survival",
        "answer removal", "answer cues", "answer quality", "answer fish", "report",
    ),
    "When in doubt": ("instruments doctor", "instruments watch", "fish trace", "replay", "rebuild"),
}  # fmt: skip


class Contents(TyperGroup):
    """The whole program: every command in the order of the day, and the one place where errors end."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        leaves = dict(leaf for name, command in self.commands.items() for leaf in _leaves(name, command))
        widest = max(map(len, leaves))
        for panel, names in PANELS.items():
            with formatter.section(panel):
                formatter.write_dl(
                    [(name.ljust(widest), leaves[name].get_short_help_str(120)) for name in names]
                )

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except (typer.Exit, typer.Abort):
            raise
        except BrokenPipeError:
            raise  # typer ends quietly: whoever read us has seen enough
        except Exception as error:
            if hasattr(error, "format_message"):  # about the arguments: typer shows it with its usage
                raise
            refusal = explain(error)
            typer.echo(str(refusal), err=True)
            raise typer.Exit(refusal.code) from None


def _leaves(name: str, command: Any) -> list[tuple[str, Any]]:
    """This command under its full name, or every command below it."""
    below = getattr(command, "commands", None)
    if below is None:
        return [(name, command)]
    return [leaf for inner, one in below.items() for leaf in _leaves(f"{name} {inner}", one)]


def group(help_text: str) -> typer.Typer:
    """A group of commands that shows its help when it is called alone."""
    return typer.Typer(
        help=help_text, no_args_is_help=True, add_completion=False, rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )  # fmt: skip
