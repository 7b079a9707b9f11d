"""What each route of the API does. Nothing here waits in the event loop for a disk or a parse."""

from __future__ import annotations

import json
import os
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Concatenate, ParamSpec, TypeVar, get_args

import anyio
from pydantic import BaseModel, ValidationError
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from acquire.daemon import admission, metrics, openapi, preview, rows, schedules
from acquire.daemon.answers import Refusal, answer
from acquire.daemon.desk import Desk
from acquire.daemon.folder import StateFolder
from acquire.daemon.messages import (
    Acted,
    Benches,
    BenchMessage,
    Cancelled,
    Confirm,
    EventsQuestion,
    GateMessage,
    Health,
    Preview,
    PreviewQuestion,
    Recipes,
    RunDetail,
    RunMessage,
    Runs,
    RunsQuestion,
    ScheduleMessage,
    Schedules,
    Submit,
    Submitted,
)
from acquire.daemon.queue import ENDED, Queue, Run, RunState, Submission
from acquire.daemon.schedule import Rule
from acquire.daemon.streaming import Listeners
from acquire.errors import BadInputError, DamagedFileError, FloorshotError, Problem, RefusedError
from acquire.run.evaluation import software
from acquire.textfile.reader import read_text

P = ParamSpec("P")
T = TypeVar("T")
M = TypeVar("M", bound=BaseModel)

SIGN_OF_LIFE = 5.0
"""A loop that lives says so several times a second; older than this, it is taken for dead. [s]"""

LARGEST_NUMBER = 2**53


@dataclass
class Api:
    """Everything that a request may need.

    Attributes
    ----------
    slow : how many requests may parse recipes or read traces at once.
    """

    folder: StateFolder
    desk: Desk
    listeners: Listeners
    slow: anyio.CapacityLimiter

    async def work(
        self, do: Callable[Concatenate[Queue, P], T], /, *args: P.args, **kwargs: P.kwargs
    ) -> T:
        """Have something done on the queue."""
        return await self.desk.work(do, *args, **kwargs)

    async def slowly(self, do: Callable[[], T]) -> T:
        """Have something slow done outside the event loop, few at a time."""
        return await anyio.to_thread.run_sync(do, limiter=self.slow)


# -- the daemon itself ---------------------------------------------------------------------------
async def health(api: Api, _request: Request) -> Response:
    """Say whether anyone acts on the queue."""
    found = await api.work(_health)
    return answer(found, 200 if found.status == "acting" else 503)


def _health(queue: Queue) -> Health:
    beat = queue.last_beat()
    # a beat from the future is one from before the clock was set back: as old as it is far off
    age = None if beat is None else abs(queue.clock() - beat[1])
    return Health(
        status="acting" if age is not None and age <= SIGN_OF_LIFE else "not acting",
        software=software(),
        pid=None if beat is None else beat[0],
        beat_age=age,
        last_event=queue.last_event(),
        runs=metrics.counts(queue),
    )


async def figures(api: Api, _request: Request) -> Response:
    """Return the figures for a monitoring system."""
    count = partial(metrics.text, listeners=api.listeners.count, cut_off=api.listeners.cut_off)
    return Response(await api.work(lambda queue: count(queue)), media_type=metrics.MEDIA_TYPE)


async def document(_api: Api, _request: Request) -> Response:
    """Return the OpenAPI document."""
    return Response(openapi.text(), media_type="application/json")


async def benches(api: Api, _request: Request) -> Response:
    """List the benches."""
    running = {run.bench: run.id for run in await api.work(Queue.runs, ["running"])}
    names = api.folder.bench_names()
    return answer(
        Benches(benches=[BenchMessage(name=name, running=running.get(name)) for name in names])
    )


async def recipes(api: Api, _request: Request) -> Response:
    """List the recipes that may be named."""
    return answer(Recipes(recipes=sorted(path.stem for path in api.folder.recipes.glob("*.yaml"))))


# -- runs ----------------------------------------------------------------------------------------
async def submit(api: Api, request: Request) -> Response:
    """Queue a run, or store a schedule, after the checks that the command makes, too."""
    wanted = await _body(request, Submit)
    ready, rule = await api.slowly(partial(_admitted, api.folder, wanted))
    if rule is not None:
        added = await _changing(api, api.work(schedules.add, ready, rule, wanted.count), 422)
        place = f"/api/v1/schedules/{added.id}"
        body = Submitted(schedule=ScheduleMessage.of(added))
        return answer(body, 201, {"Location": place})
    run, is_new = await _changing(api, api.work(_queue_once, ready))
    if (run.recipe_text, run.bench) != (ready.recipe_text, ready.bench):
        raise Refusal(409, f"key {wanted.key!r}: run {run.id} has it, with another recipe or bench")
    place = f"/api/v1/runs/{run.id}"
    body = Submitted(run=await api.work(_told, run))
    return answer(body, 201 if is_new else 200, {"Location": place})


def _admitted(folder: StateFolder, wanted: Submit) -> tuple[Submission, Rule | None]:
    """Check a submission as a whole."""
    problems: list[Problem] = []
    text, rule, bench, plan = wanted.recipe_text, None, None, None
    try:
        rule = admission.rule(wanted.at, wanted.every, wanted.cron, wanted.zone)
    except BadInputError as error:
        field = next(name for name in ("at", "every", "cron") if getattr(wanted, name))
        problems.append(Problem("body", 0, 0, field, str(error).removeprefix("--")))
    try:
        bench = folder.bench(wanted.bench)
    except BadInputError as error:
        problems.append(Problem("body", 0, 0, "bench", str(error)))
    try:
        if text is None:
            text = read_text(folder.recipe(wanted.recipe))
        plan = admission.check(text, wanted.recipe, bench)
    except BadInputError as error:
        problems += admission.problems_of(error, "body")
    if problems or text is None:
        told = _without_folder(problems, folder)
        words = "\n".join(map(str, told))
        raise Refusal(422, f"not queued, problems: {len(told)}\n{words}", told)
    made = Submission(
        recipe_name=wanted.recipe,
        recipe_text=text,
        bench=wanted.bench,
        priority=wanted.priority,
        submitted_by=wanted.by,
        key=wanted.key,
        hands=None if plan is None else plan.hands,
    )
    return made, rule


def _without_folder(problems: list[Problem], folder: StateFolder) -> list[Problem]:
    """Take this machine's paths out of what a client is told."""
    root = f"{folder.root}{os.sep}"
    return [
        Problem(p.file.replace(root, ""), p.line, p.column, p.field,
                p.message.replace(root, ""), p.excerpt)
        for p in problems
    ]  # fmt: skip


def _queue_once(queue: Queue, wanted: Submission) -> tuple[Run, bool]:
    known = queue.db.execute("SELECT 1 FROM run WHERE submission_key = ?", (wanted.key,)).fetchone()
    return queue.submit(wanted), known is None


async def list_runs(api: Api, request: Request) -> Response:
    """List runs by state."""
    asked = _question(request, RunsQuestion)
    states = asked.state.split(",")
    wanted: list[RunState] = [one for one in get_args(RunState) if one in states]
    return answer(await api.work(_runs, wanted, asked.limit))


def _runs(queue: Queue, states: list[RunState], limit: int) -> Runs:
    return Runs(runs=[_told(queue, run) for run in queue.runs(states, limit=limit)])


def _told(queue: Queue, run: Run) -> RunMessage:
    return RunMessage.of(run, None if run.state in ENDED else queue.gate(run.id))


async def one_run(api: Api, request: Request) -> Response:
    """Return one run with its recipe."""
    run = await _run(api, request)
    told = await api.work(_told, run)
    return answer(RunDetail(**dict(told), recipe_text=run.recipe_text))


async def confirm(api: Api, request: Request) -> Response:
    """Record that a person has set the condition of a gate."""
    said = await _body(request, Confirm)
    run = await _run(api, request)
    gate = await _changing(api, api.work(Queue.confirm, run.id, said.by, condition=said.condition))
    return answer(GateMessage.of(gate))


async def resume(api: Api, request: Request) -> Response:
    """Let a parked run go on from its stored shots."""
    said = await _body(request, Acted)
    run = await _run(api, request)
    if not await _changing(api, api.work(Queue.unpark, run.id, f"let go on by {said.by}")):
        raise Refusal(409, f"run {run.id}: it is {run.state}; only a parked run can go on")
    return answer(await api.work(_told_anew, run.id))


def _told_anew(queue: Queue, number: int) -> RunMessage:
    return _told(queue, queue.run(number))


async def cancel(api: Api, request: Request) -> Response:
    """Take a run out of the queue, or ask it to stop."""
    said = await _body(request, Acted)
    run = await _run(api, request)
    state = await _changing(api, api.work(Queue.cancel, run.id, said.by))
    return answer(Cancelled(id=run.id, state=state), 202 if state == "running" else 200)


# -- what a run leaves ---------------------------------------------------------------------------
async def result(api: Api, request: Request) -> Response:
    """Return the result document, byte for byte as it was stored."""
    return Response(_document(await _run(api, request)), media_type="application/json")


async def result_csv(api: Api, request: Request) -> Response:
    """Return the result as a table."""
    run = await _run(api, request)
    text = await api.slowly(lambda: rows.as_csv(json.loads(_document(run))))
    headers = {"Content-Disposition": f'attachment; filename="run-{run.id}.csv"'}
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


def _document(run: Run) -> str:
    if run.document is None:
        status = 404 if run.state in ENDED else 409
        raise Refusal(status, f"run {run.id}: it is {run.state} and has no result; {run.reason}")
    return run.document


async def run_file(api: Api, request: Request) -> Response:
    """Return the run file, whole or in ranges."""
    run = await _run(api, request)
    path = _data_of(api, run, run.path)
    return FileResponse(path, media_type="application/x-hdf5", filename=path.name)


async def run_preview(api: Api, request: Request) -> Response:
    """Return the newest traces of a run, small enough for a picture."""
    asked = _question(request, PreviewQuestion)
    run = await _run(api, request)
    stored = run.path or run.spool
    if stored is None:
        return answer(Preview(run=run.id, traces=[]))
    path = _data_of(api, run, stored)
    try:
        found = await api.slowly(partial(preview.of_run, run.id, path, asked.points))
    except DamagedFileError as why:
        raise Refusal(404, f"run {run.id}: no traces can be shown now; {_clean(api, why)}") from why
    return answer(found, headers={"Cache-Control": "no-store"})


def _data_of(api: Api, run: Run, stored: str | None) -> Path:
    """Return a path of a run, after a last look that it lies where runs lie."""
    path = None if stored is None else Path(stored).resolve()
    if path is None or api.folder.runs.resolve() not in path.parents or not path.exists():
        raise Refusal(404, f"run {run.id}: it is {run.state} and has no such data here")
    return path


# -- events and schedules ------------------------------------------------------------------------
async def events(api: Api, request: Request) -> Response:
    """Stream events, from any number on."""
    asked = _question(request, EventsQuestion)
    after, last = asked.after, request.headers.get("last-event-id")
    if last is not None:
        if not (last.isascii() and last.isdigit() and int(last) <= LARGEST_NUMBER):
            raise Refusal(422, f"Last-Event-ID {last[:50]!r}: it is not the number of an event")
        after = int(last)
    if request.method == "HEAD":  # its answer has no body, so it would never end
        return Response(media_type="text/event-stream")
    return await api.listeners.follow(after, asked.run)


async def list_schedules(api: Api, _request: Request) -> Response:
    """List the schedules that have a time to come."""
    found = await api.work(schedules.active)
    return answer(Schedules(schedules=[ScheduleMessage.of(one) for one in found]))


async def end_schedule(api: Api, request: Request) -> Response:
    """End a schedule; runs that it has queued stay."""
    number = _number(request)
    try:
        await api.work(schedules.get, number)
    except BadInputError as why:
        raise Refusal(404, f"schedule {number}: there is no such schedule") from why
    await _changing(api, api.work(schedules.end, number, "a client of the API"))
    return Response(status_code=204)


# -- parts -----------------------------------------------------------------------------------------
async def _body(request: Request, model: type[M]) -> M:
    try:
        return model.model_validate_json(await request.body() or b"{}")
    except ValidationError as error:
        raise _invalid(error, "body") from error


def _question(request: Request, model: type[M]) -> M:
    asked: Mapping[str, str] = request.query_params
    try:
        return model.model_validate(dict(asked))
    except ValidationError as error:
        raise _invalid(error, "query") from error


def _invalid(error: ValidationError, where: str) -> Refusal:
    problems = [
        Problem(where, 0, 0, ".".join(map(str, one["loc"])), one["msg"])
        for one in error.errors(include_url=False, include_context=False, include_input=False)
    ]
    return Refusal(422, "\n".join(map(str, problems)), problems)


def _number(request: Request) -> int:
    number = int(request.path_params["number"])
    if number > LARGEST_NUMBER:
        raise Refusal(404, "there is none of that number")
    return number


async def _run(api: Api, request: Request) -> Run:
    number = _number(request)
    try:
        return await api.work(Queue.run, number)
    except BadInputError as why:
        raise Refusal(404, f"run {number}: there is no such run") from why


async def _changing(api: Api, change: Awaitable[T], status: int = 409) -> T:
    """Turn what the queue refuses into answers."""
    try:
        return await change
    except BadInputError as why:
        raise Refusal(status, _clean(api, why).removeprefix("--")) from why
    except RefusedError as why:
        raise Refusal(503, _clean(api, why), headers={"Retry-After": "60"}) from why


def _clean(api: Api, why: FloorshotError) -> str:
    return str(why).replace(f"{api.folder.root}{os.sep}", "")
