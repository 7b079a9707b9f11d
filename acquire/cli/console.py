"""The one place that writes to the terminal.

What was asked for (a table, a plan, JSON) goes to standard output; what happens meanwhile
(cautions, progress, complaints) goes to standard error, so that either can be redirected. Colour
only repeats what the words say; ``NO_COLOR`` and a pipe switch it off.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

PLAIN_WIDTH = 100
"""Columns of what goes to a pipe or a file, unless ``COLUMNS`` says otherwise."""


def rich_console(*, to_stderr: bool = False) -> Console:
    """Return the console; on a terminal it is as wide as that, elsewhere ``PLAIN_WIDTH``."""
    from rich.console import Console  # 40 ms that `--help` need not pay

    stream = sys.stderr if to_stderr else sys.stdout
    known = stream.isatty() or "COLUMNS" in os.environ
    return Console(
        stderr=to_stderr,
        highlight=False,
        emoji=False,
        markup=False,
        width=None if known else PLAIN_WIDTH,
    )


def say(text: str = "") -> None:
    """Write one line that was asked for."""
    click.echo(text)


def show(renderable: RenderableType) -> None:
    """Write something that was asked for and that rich lays out."""
    _print(rich_console(), renderable)


def show_result(
    document: Mapping[str, Any], *, label: str = "", equipment: Sequence[tuple[str, str]] = ()
) -> None:
    """Write a result document as tables, as wide as there is room.

    Parameters
    ----------
    document : as in the result schema.
    label : which of several results this is; empty = not said.
    equipment : what was measured with, as names and texts.
    """
    from acquire.cli import table

    console = rich_console()
    _print(
        console,
        table.render(document, width=console.width, label=label, equipment=equipment),
    )


def _print(on: Console, renderable: RenderableType) -> None:
    """Print; without the blanks that rich puts at the ends of lines where no terminal is."""
    if on.is_terminal:
        on.print(renderable)
        return
    with on.capture() as captured:
        on.print(renderable)
    for line in captured.get().splitlines():
        say(line.rstrip())


def note(text: str = "") -> None:
    """Write one line about what happens meanwhile."""
    click.echo(text, err=True)


def complain(text: str) -> None:
    """Write what went wrong."""
    click.secho(text, err=True, fg="red")


def caution(lines: Iterable[str]) -> None:
    """Show cautions; the word stands there, colour or not."""
    for line in lines:
        click.secho("CAUTION ", err=True, fg="yellow", bold=True, nl=False)
        click.echo(line, err=True)


def is_attended() -> bool:
    """Whether a person can be asked: both the keyboard and the screen are a terminal."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def prompt(text: str) -> None:
    """Write a question; the answer is typed on the same line."""
    click.echo(text, err=True, nl=False)
