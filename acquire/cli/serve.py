"""``floorshot serve``: the daemon in the foreground."""

from __future__ import annotations

import signal
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from acquire.cli import console
from acquire.cli.daemon_parts import state_option

if TYPE_CHECKING:
    from acquire.daemon.folder import StateFolder
    from acquire.daemon.service import Service


@click.command(
    short_help="Serve a queue of runs until interrupted.",
    epilog="Exit codes: 0 ended by SIGTERM or Ctrl-C; 2 another daemon serves the folder, or bad "
    "input.",
)
@state_option
@click.option("--no-http", is_flag=True, help="Do not serve the local API.")
def command(state: Path, no_http: bool) -> int:
    """Carry out queued and scheduled runs, one at a time on each bench.

    The state folder is made if it is missing. Put bench profiles into its folder 'benches'; then
    'floorshot submit' queues runs. SIGTERM and Ctrl-C set running runs aside, or let them end, as
    daemon.yaml in the folder says; a second one ends at once, and nothing that was stored is lost.

    \b
    Example:
      floorshot serve --state /var/lib/floorshot
      floorshot submit bonding_lead --bench tunnel --every '6 h' --state /var/lib/floorshot
    """
    from acquire.daemon.folder import StateFolder
    from acquire.daemon.hooks import Notifier
    from acquire.daemon.service import Service

    folder = StateFolder(state)
    folder.prepare()
    lock = folder.hold()
    try:
        notifier = Notifier(folder)
        service = Service(folder)
        _stop_by_signal(service)
        with notifier:
            if no_http:
                console.note(f"serving {state}; Ctrl-C ends it")
                service.run()
            else:
                _serve_with_http(folder, service)
    finally:
        lock.release()
    return 0


def _serve_with_http(folder: StateFolder, service: Service) -> None:
    from acquire.daemon.server import ApiServer

    with ApiServer(folder) as server:
        service.address = server.address
        console.note(f"serving {folder.root}; page and API at {server.address}; Ctrl-C ends it")
        service.run()


def _stop_by_signal(service: Service) -> None:
    """Let SIGTERM and SIGINT stop the service; a second one ends the process at once."""

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_DFL)
        service.stop()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, on_signal)
