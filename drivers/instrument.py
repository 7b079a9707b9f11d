"""What every SCPI instrument on a link has in common: identity, recovery, the error queue."""

from __future__ import annotations

from drivers import scpi
from drivers.errors import AnswerError, InstrumentError
from drivers.link import Link
from drivers.scope import Identity

_QUEUE_LIMIT = 64


def identify(link: Link) -> Identity:
    """Ask ``*IDN?``."""
    return link.ask("*IDN?", scpi.identity)


def recover(link: Link, expected: Identity) -> None:
    """Close, reopen, prove that the same unit answers, clear its status.

    Raises
    ------
    LinkLostError
        If it cannot be reopened within the link's policy.
    AnswerError
        If another unit answers; the link is then closed.
    """

    def prove() -> None:
        found = identify(link)
        if not found.same_unit(expected):
            link.close()
            raise AnswerError(
                f"another instrument answers after reconnecting: {found.raw!r} instead of "
                f"{expected.raw!r}; connect the one that the run began with",
                instrument=link.label,
            )
        link.write("*CLS")

    link.reopen(prove)


def drain(link: Link, query: str = "SYSTem:ERRor?") -> tuple[InstrumentError, ...]:
    """Read the error queue until it is empty (SCPI-99 volume 2, section 21.8)."""
    found: list[InstrumentError] = []
    for _ in range(_QUEUE_LIMIT):
        entry = link.ask(query, scpi.error_entry)
        if entry is None:
            return tuple(found)
        found.append(entry)
    return (*found, InstrumentError(None, f"more than {_QUEUE_LIMIT} entries"))
