"""The ``floorshot`` command.

The rules of this package:

* One command a file, and one line in ``COMMANDS``. A command module imports only click and its
  neighbours at the top; whatever is slow (numpy, h5py, pyvisa) is imported when it is needed.
* A command returns its exit code as a plain int. It raises nothing but ``FloorshotError`` on
  purpose; ``failures`` turns everything else into one line as well.
* Only ``console`` writes to the terminal.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import os
import sys
from collections.abc import Sequence

import click

from acquire.cli import failures

COMMANDS: dict[str, str] = {
    "demo": "acquire.cli.demo",
    "simulate": "acquire.cli.simulate",
    "example": "acquire.cli.example",
    "plan": "acquire.cli.plan",
    "identify": "acquire.cli.identify",
    "check": "acquire.cli.check",
    "run": "acquire.cli.run",
    "resume": "acquire.cli.resume",
    "show": "acquire.cli.show",
    "verify": "acquire.cli.verify",
    "reanalyse": "acquire.cli.reanalyse",
    "spectrum": "acquire.cli.spectrum",
    "pulse": "acquire.cli.pulse",
    "predict": "acquire.cli.predict",
    "serve": "acquire.cli.serve",
    "submit": "acquire.cli.submit",
    "queue": "acquire.cli.queue",
    "watch": "acquire.cli.watch",
    "confirm": "acquire.cli.confirm",
    "cancel": "acquire.cli.cancel",
    "history": "acquire.cli.history",
    "schema": "acquire.cli.schema",
}
"""Every command and the module that holds it as ``command``, in the order of a day's work."""


def _version() -> str:
    try:
        return importlib.metadata.version("floorshot")
    except importlib.metadata.PackageNotFoundError:
        return "(run from its folder, not installed)"


class _LazyGroup(click.Group):
    """A group that imports a command's module when that command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return list(COMMANDS)

    def get_command(
        self,
        ctx: click.Context,  # noqa: ARG002 - click's signature
        cmd_name: str,
    ) -> click.Command | None:
        module = COMMANDS.get(cmd_name)
        if module is None:
            return None
        command = importlib.import_module(module).command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            ctx.fail(failures.unknown_command(args[0], list(COMMANDS)))
        return super().resolve_command(ctx, args)


@click.group(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Try it without any instrument: floorshot demo",
)
@click.version_option(_version(), prog_name="floorshot")
@click.option("--debug", is_flag=True, help="Show a traceback when something unexpected happens.")
def group(debug: bool) -> None:
    """Measure how much noise current a suppressor removes from a conductor.

    A reference shot shows the noise current on the bare conductor, a floor shot what the
    instrumentation reports when no current can flow, a target shot what a candidate suppressor
    leaves. The result is the attenuation, corrected for the floor, with an interval - or an
    honest "at least".

    \b
    Exit codes (run, resume and, where they apply, the others):
      0  every limit met, or done         3  undecided, or only a bound is known
      1  a limit not met                  4  instrument or fixture fault; kept, can be resumed
      2  bad input; nothing was changed   5  interrupted; kept, can be resumed
    """
    failures.set_debug(debug)


def invoke(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit code; never raises.

    Parameters
    ----------
    arguments : without the program's name; None = those of the process.
    """
    return failures.guarded(
        lambda: group.main(
            args=None if arguments is None else list(arguments),
            prog_name="floorshot",
            standalone_mode=False,
        )
    )


def main() -> None:
    """Run the command line of this process and end it."""
    # For products of a few rows. Threads of the linear algebra wait for each other by spinning,
    # which a busy machine pays for; and with one thread the same sums have the same last digit.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(invoke())
