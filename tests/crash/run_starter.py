"""Run by run_campaign.py: starts ``floorshot`` commands as processes, with the imports paid once.

For each JSON line on standard input a process is forked, which runs one command line as
``python -m acquire`` would. The answers are ``pid N`` and, when it has ended, ``ended STATUS``
(an exit code, or minus the signal that ended it).
"""

from __future__ import annotations

import errno
import json
import os
import sys
from collections.abc import Callable
from typing import Any

import acquire.analysis.evaluate
import acquire.cli.resume
import acquire.cli.run
import acquire.run.resume  # noqa: F401 - for the children, as is all that it needs
from acquire.cli import invoke


def say(text: str) -> None:
    os.write(1, text.encode() + b"\n")


def fail_from(call: str, number: int, moment: int) -> None:
    """Let ``os.<call>`` fail from its ``moment``-th use on, as on a disk that is full or dying."""
    real: Callable[..., Any] = getattr(os, call)
    uses = iter(range(1 << 60))

    def failing(*arguments: Any, **options: Any) -> Any:
        if next(uses) >= moment:
            raise OSError(number, os.strerror(number))
        return real(*arguments, **options)

    setattr(os, call, failing)


def child(order: dict[str, Any]) -> None:
    """Become the command that ``order`` describes."""
    out = os.open(order["told"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
    os.dup2(out, 1)
    os.dup2(out, 2)
    for call, name, moment in order.get("failing", ()):
        fail_from(call, getattr(errno, name), moment)
    code = invoke(order["command"])
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def main() -> None:
    say("ready")
    for line in sys.stdin:
        if (pid := os.fork()) == 0:
            child(json.loads(line))
        say(f"pid {pid}")
        _, status = os.waitpid(pid, 0)
        say(f"ended {os.waitstatus_to_exitcode(status)}")


if __name__ == "__main__":
    main()
