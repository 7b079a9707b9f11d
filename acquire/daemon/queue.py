"""Runs and their gates in the daemon's SQLite file.

The rules of this file:

* Every change of state and the event that tells of it are one transaction.
* At most one run is active on a bench; the database itself refuses a second.
* Nothing here waits, runs a recipe or contacts anything. A claimed run that lost its process is
  found by whoever holds the daemon's lock, and given back exactly once.
* The file works with the daemon down: a command opens it, acts and leaves.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from acquire.daemon.store import Store
from acquire.errors import BadInputError, RefusedError

RunState = Literal["queued", "running", "parked", "finished", "cancelled"]
ENDED: tuple[RunState, ...] = ("finished", "cancelled")


@dataclass(frozen=True, slots=True)
class Submission:
    """What a client asks for.

    ``key`` makes a submission repeatable: a second one with the same key returns the first run.
    ``not_before`` is seconds since the epoch. [s] ``hands`` is how many times a person has to act.
    """

    recipe_name: str
    recipe_text: str
    bench: str
    priority: int = 0
    not_before: float = 0.0
    submitted_by: str = ""
    key: str | None = None
    hands: int | None = None


@dataclass(frozen=True, slots=True)
class Run:
    """One row of the queue or of the history. Times in seconds since the epoch. [s]"""

    id: int
    recipe_name: str
    recipe_text: str
    bench: str
    priority: int
    state: RunState
    submitted_at: float
    submitted_by: str
    not_before: float
    schedule: int | None
    attempts: int
    cancel_requested: bool
    worker_pid: int | None
    started_at: float | None
    ended_at: float | None
    spool: str | None
    path: str | None
    exit_code: int | None
    reason: str
    document: str | None
    hands: int | None


@dataclass(frozen=True, slots=True)
class Gate:
    """A place where a run waits for a hand."""

    id: int
    run: int
    condition: str
    instruction: str
    cautions: tuple[str, ...]
    opened_at: float
    confirmed_at: float | None
    confirmed_by: str | None
    closed_at: float | None


_RUN_COLUMNS = ", ".join(Run.__slots__)
_GATE_COLUMNS = ", ".join(Gate.__slots__)


def _run(row: Sequence[object]) -> Run:
    values = dict(zip(Run.__slots__, row, strict=True))
    values["cancel_requested"] = bool(values["cancel_requested"])
    return Run(**values)  # type: ignore[arg-type]  # the STRICT table vouches for the types


def _gate(row: Sequence[object]) -> Gate:
    values = dict(zip(Gate.__slots__, row, strict=True))
    values["cautions"] = tuple(json.loads(str(values["cautions"])))
    return Gate(**values)  # type: ignore[arg-type]  # the STRICT table vouches for the types


class Queue(Store):
    """The queue of one state folder. One object per thread.

    Parameters
    ----------
    path : of the SQLite file; made when missing.
    capacity : runs that may wait at once; one more is refused.
    clock : seconds since the epoch; replaced in tests. [s]
    patience : how long a change waits for another process's change. [s]
    """

    def __init__(
        self,
        path: Path,
        *,
        capacity: int = 10_000,
        clock: Callable[[], float] = time.time,
        patience: float = 10.0,
    ) -> None:
        super().__init__(path, clock=clock, patience=patience)
        self.capacity = capacity

    # -- runs ------------------------------------------------------------------------------------
    def submit(self, wanted: Submission, *, schedule: int | None = None) -> Run:
        """Queue a run.

        Raises
        ------
        RefusedError
            If the queue is full.
        """
        with self.change():
            if wanted.key is not None:
                row = self.db.execute(
                    "SELECT id FROM run WHERE submission_key = ?", (wanted.key,)
                ).fetchone()
                if row:
                    return self.run(row[0])
            return self.submit_within(wanted, schedule)

    def submit_within(self, wanted: Submission, schedule: int | None) -> Run:
        """Queue a run inside the caller's transaction; see ``submit``."""
        (waiting,) = self.db.execute("SELECT count(*) FROM run WHERE state = 'queued'").fetchone()
        if waiting >= self.capacity:
            raise RefusedError(
                f"{self.path}: the queue is full ({waiting} runs wait, at most {self.capacity}); "
                "cancel some, or wait until they have run"
            )
        cursor = self.db.execute(
            "INSERT INTO run (recipe_name, recipe_text, bench, priority, submitted_at,"
            " submitted_by, submission_key, not_before, schedule, hands)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                wanted.recipe_name,
                wanted.recipe_text,
                wanted.bench,
                wanted.priority,
                self.clock(),
                wanted.submitted_by,
                wanted.key,
                wanted.not_before,
                schedule,
                wanted.hands,
            ),
        )
        number = int(cursor.lastrowid or 0)
        self.note(
            "run_queued",
            number,
            {"recipe": wanted.recipe_name, "bench": wanted.bench, "priority": wanted.priority},
        )
        return self.run(number)

    def run(self, number: int) -> Run:
        """Return one run.

        Raises
        ------
        BadInputError
            If there is none of that number.
        """
        row = self.db.execute(f"SELECT {_RUN_COLUMNS} FROM run WHERE id = ?", (number,)).fetchone()  # noqa: S608 - column names of our own class
        if row is None:
            raise BadInputError(
                f"run {number}: there is no such run in {self.path}; 'floorshot queue' and"
                " 'floorshot history' list them"
            )
        return _run(row)

    def runs(self, states: Sequence[RunState], *, limit: int = 1000) -> tuple[Run, ...]:
        """Return runs in these states: waiting ones by turn, ended ones newest first."""
        marks = ", ".join("?" * len(states))
        order = "id DESC" if set(states) <= set(ENDED) else "state, priority DESC, id"
        rows = self.db.execute(
            f"SELECT {_RUN_COLUMNS} FROM run WHERE state IN ({marks}) ORDER BY {order} LIMIT ?",  # noqa: S608 - literals only
            (*states, limit),
        )
        return tuple(_run(row) for row in rows)

    def claim(self, benches: Sequence[str]) -> Run | None:
        """Take the next run that is due on one of these benches and mark it running.

        Highest priority first, then the order of submission. A bench that is busy offers none.
        """
        if not benches:
            return None
        marks = ", ".join("?" * len(benches))
        now = self.clock()
        with self.change():
            row = self.db.execute(
                "UPDATE run SET state = 'running', attempts = attempts + 1,"  # noqa: S608 - literals only
                " started_at = coalesce(started_at, ?), worker_pid = NULL, reason = ''"
                " WHERE id = (SELECT id FROM run WHERE state = 'queued' AND not_before <= ?"
                f"  AND bench IN ({marks})"
                "  AND bench NOT IN (SELECT bench FROM run WHERE state = 'running')"
                "  ORDER BY priority DESC, id LIMIT 1) RETURNING id, attempts",
                (now, now, *benches),
            ).fetchone()
            if row is None:
                return None
            self.note("run_claimed", row[0], {"attempt": row[1]})
            return self.run(row[0])

    def take(self, number: int, pid: int) -> bool:
        """Note which process carries a claimed run out; False where the run is not to be had."""
        with self.change():
            return bool(
                self.db.execute(
                    "UPDATE run SET worker_pid = ? WHERE id = ? AND state = 'running'",
                    (pid, number),
                ).rowcount
            )

    def postpone(self, number: int, seconds: float, why: str) -> bool:
        """Put a running run back into the queue, not to be claimed before some time has passed."""
        with self.change():
            self.db.execute(
                "UPDATE run SET not_before = ?, attempts = attempts - 1"
                " WHERE id = ? AND state = 'running'",
                (self.clock() + seconds, number),
            )
            return self._requeue(number, "running", why)

    def set_spool(self, number: int, spool: Path) -> None:
        """Note where a run keeps its finished shots, so that it can be taken up again."""
        with self.change():
            self.db.execute("UPDATE run SET spool = ? WHERE id = ?", (str(spool), number))

    def finish(
        self, number: int, exit_code: int, *, path: Path | None, document: str | None, reason: str
    ) -> bool:
        """End a running run; False where it was not running (someone else ended it first)."""
        with self.change():
            changed = self.db.execute(
                "UPDATE run SET state = 'finished', exit_code = ?, path = ?, document = ?,"
                " reason = ?, ended_at = ?, worker_pid = NULL WHERE id = ? AND state = 'running'",
                (exit_code, path and str(path), document, reason, self.clock(), number),
            ).rowcount
            if changed:
                self._close_gate(number)
                self.note("run_finished", number, {"exit_code": exit_code, "reason": reason})
            return bool(changed)

    def park(self, number: int, reason: str) -> bool:
        """Set a running run aside; it keeps its shots and goes on after ``unpark`` or a confirm."""
        with self.change():
            changed = self.db.execute(
                "UPDATE run SET state = 'parked', reason = ?, worker_pid = NULL"
                " WHERE id = ? AND state = 'running'",
                (reason, number),
            ).rowcount
            if changed:
                self.note("run_parked", number, {"reason": reason})
            return bool(changed)

    def unpark(self, number: int, why: str) -> bool:
        """Queue a parked run again; it resumes from its finished shots."""
        with self.change():
            return self._requeue(number, "parked", why)

    def give_back(self, number: int, why: str) -> bool:
        """Queue a running run again whose process died; exactly one caller gets True."""
        with self.change():
            return self._requeue(number, "running", why)

    def _requeue(self, number: int, state: RunState, why: str) -> bool:
        changed = self.db.execute(
            "UPDATE run SET state = 'queued', worker_pid = NULL, reason = ?"
            " WHERE id = ? AND state = ?",
            (why, number, state),
        ).rowcount
        if changed:
            self.note("run_requeued", number, {"why": why})
        return bool(changed)

    def cancel(self, number: int, who: str) -> RunState:
        """Cancel a waiting or parked run at once; ask a running one to stop. Return its state.

        Raises
        ------
        BadInputError
            If there is no such run, or it has ended.
        """
        with self.change():
            state = self.run(number).state
            if state in ENDED:
                raise BadInputError(f"run {number}: it is {state} already; nothing to cancel")
            if state == "running":
                self.db.execute("UPDATE run SET cancel_requested = 1 WHERE id = ?", (number,))
                self.note("cancel_requested", number, {"by": who})
                return "running"
            self._cancelled(number, who)
            return "cancelled"

    def cancelled(self, number: int, who: str) -> None:
        """Mark a running run as cancelled, after its process has ended."""
        with self.change():
            self._cancelled(number, who)

    def _cancelled(self, number: int, who: str) -> None:
        self.db.execute(
            "UPDATE run SET state = 'cancelled', ended_at = ?, worker_pid = NULL, reason = ?"
            " WHERE id = ?",
            (self.clock(), f"cancelled by {who}", number),
        )
        self._close_gate(number)
        self.note("run_cancelled", number, {"by": who})

    # -- gates -----------------------------------------------------------------------------------
    def open_gate(
        self, number: int, condition: str, instruction: str, cautions: Sequence[str]
    ) -> Gate:
        """Open a gate for a run, or return the one that stands open for the same condition.

        A gate that was confirmed while its run was parked is found confirmed by the resumed run.
        """
        with self.change():
            standing = self._standing_gate(number)
            if standing is not None and standing.condition == condition:
                return standing
            self._close_gate(number)
            self.db.execute(
                "INSERT INTO gate (run, condition, instruction, cautions, opened_at)"
                " VALUES (?, ?, ?, ?, ?)",
                (number, condition, instruction, json.dumps(list(cautions)), self.clock()),
            )
            self.note(
                "gate_opened",
                number,
                {"condition": condition, "instruction": instruction, "cautions": list(cautions)},
            )
            gate = self._standing_gate(number)
            assert gate is not None
            return gate

    def gate(self, number: int) -> Gate | None:
        """Return the gate that a run stands at, or None."""
        return self._standing_gate(number)

    def _standing_gate(self, number: int) -> Gate | None:
        row = self.db.execute(
            f"SELECT {_GATE_COLUMNS} FROM gate WHERE run = ? AND closed_at IS NULL",  # noqa: S608 - column names of our own class
            (number,),
        ).fetchone()
        return None if row is None else _gate(row)

    def confirm(self, number: int, who: str, *, condition: str | None = None) -> Gate:
        """Record that a person has set the condition of a run's gate.

        A parked run is queued again. Confirming twice changes nothing and returns the first answer.

        Raises
        ------
        BadInputError
            If the run stands at no gate, or at another one than ``condition``.
        """
        with self.change():
            self.run(number)
            gate = self._standing_gate(number)
            if gate is None:
                raise BadInputError(f"run {number}: it waits at no gate; nothing to confirm")
            if condition is not None and condition != gate.condition:
                raise BadInputError(
                    f"run {number}: it waits for {gate.condition!r}, not for {condition!r};"
                    " look at the instruction again"
                )
            if gate.confirmed_at is None:
                self.db.execute(
                    "UPDATE gate SET confirmed_at = ?, confirmed_by = ? WHERE id = ?",
                    (self.clock(), who, gate.id),
                )
                self.note("gate_confirmed", number, {"condition": gate.condition, "by": who})
                self._requeue(number, "parked", f"gate confirmed by {who}")
            confirmed = self._standing_gate(number)
            assert confirmed is not None
            return confirmed

    def close_gate(self, number: int) -> None:
        """Close a run's gate, after the run has gone through it."""
        with self.change():
            self._close_gate(number)

    def _close_gate(self, number: int) -> None:
        self.db.execute(
            "UPDATE gate SET closed_at = ? WHERE run = ? AND closed_at IS NULL",
            (self.clock(), number),
        )
