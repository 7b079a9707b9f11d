"""What the machine's administrator decides about the daemon: ``daemon.yaml`` in the state folder.

A recipe can set none of this: it names no command, no address, no path and no policy.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from acquire.quantities import Seconds

Words = Annotated[str, StringConstraints(min_length=1, max_length=1000)]


class Model(BaseModel):
    """Strict, frozen, and unknown keys are errors."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class Notify(Model):
    """Who is told of the events named in ``events``.

    ``command`` is started with the event's name as its last argument and the event as JSON on
    standard input; ``webhook`` receives the same JSON by POST. Both are bounded in time, and may
    fail without a run noticing.
    """

    events: tuple[Words, ...] = ("gate_opened", "run_parked", "run_finished")
    command: tuple[Words, ...] = ()
    webhook: Annotated[str, StringConstraints(pattern=r"^https?://")] | None = None
    timeout: Seconds = 10.0


class Http(Model):
    """The local API. A Unix socket unless ``port`` is given; then loopback only.

    ``host`` other than loopback needs ``allow_remote: true`` and a token; TLS belongs to a reverse
    proxy.
    """

    port: Annotated[int, Field(ge=0, le=65535)] | None = None
    host: Words = "127.0.0.1"
    allow_remote: bool = False
    allowed_hosts: tuple[Words, ...] = ()
    body_limit: Annotated[int, Field(ge=1000, le=10_000_000)] = 300_000
    requests_per_minute: Annotated[int, Field(ge=1, le=1_000_000)] = 1200


class DaemonConfig(Model):
    """The whole file. Everything has a default, so the file may be missing.

    Attributes
    ----------
    on_start : what becomes of runs whose process died with the last daemon.
    on_stop : SIGTERM lets running runs end (``drain``) or sets them aside (``park``).
    gate_timeout : how long a gate waits for a hand before the run is parked. [s]
    stall_limit : a run that tells nothing for this long is ended by force; the trigger time-out of
        its recipe comes on top. [s]
    attempts : how often a run whose process died is begun in all.
    queue_length : runs that may wait at once.
    """

    floorshot_daemon: Literal[1] = 1
    on_start: Literal["resume", "park"] = "resume"
    on_stop: Literal["drain", "park"] = "park"
    gate_timeout: Seconds = 3600.0
    stall_limit: Seconds = 120.0
    attempts: Annotated[int, Field(ge=1, le=100)] = 3
    queue_length: Annotated[int, Field(ge=1, le=1_000_000)] = 10_000
    notify: Notify = Notify()
    http: Http = Http()
