"""Every route of the API as data: served by ``api``, described by ``openapi``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from pydantic import BaseModel

from acquire.daemon import metrics
from acquire.daemon.messages import (
    Acted,
    Benches,
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
    Schedules,
    Submit,
    Submitted,
)

Body = type[BaseModel] | str | None
"""What an answer holds: a model, a media type of something that is no JSON of ours, or nothing."""

RESULT = "the result document"
"""Stands for the schema of the result, which is kept beside the analysis."""

OPENAPI = "the OpenAPI document"


@dataclass(frozen=True, slots=True)
class Route:
    """One route.

    Attributes
    ----------
    method, path : below ``/api/v1``.
    handler : name of the function in ``handlers``.
    summary : for people.
    answers : status -> what a right answer holds.
    refusals : statuses that an error may have, besides those of every route.
    body : what the client sends.
    question : the query parameters.
    """

    method: Literal["GET", "POST", "DELETE"]
    path: str
    handler: str
    summary: str
    answers: Mapping[int, Body]
    refusals: tuple[int, ...] = ()
    body: type[BaseModel] | None = None
    question: type[BaseModel] | None = None
    headers: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))


CSV, HDF5, EVENTS = "text/csv", "application/x-hdf5", "text/event-stream"
_RUN = "/runs/{number}"
_GONE = (404, 422)

ROUTES: tuple[Route, ...] = (
    Route("GET", "/health", "health", "Whether anyone acts on the queue.",
          {200: Health, 503: Health}),
    Route("GET", "/metrics", "figures", "Figures as OpenMetrics text; also at /metrics.",
          {200: metrics.MEDIA_TYPE}),
    Route("GET", "/openapi.json", "document", "This document.", {200: OPENAPI}),
    Route("GET", "/benches", "benches", "The benches that a run may ask for.", {200: Benches}),
    Route("GET", "/recipes", "recipes", "The recipes that may be named.", {200: Recipes}),
    Route("POST", "/runs", "submit", "Queue a run, or store a schedule.",
          {201: Submitted, 200: Submitted}, (409, 422, 503), Submit),
    Route("GET", "/runs", "list_runs", "Runs by state.", {200: Runs}, (422,),
          question=RunsQuestion),
    Route("GET", _RUN, "one_run", "One run with its recipe.", {200: RunDetail}, (404,)),
    Route("POST", f"{_RUN}/confirm", "confirm", "A person has set the condition of a gate.",
          {200: GateMessage}, (404, 409, 422), Confirm),
    Route("POST", f"{_RUN}/resume", "resume", "Let a parked run go on from its stored shots.",
          {200: RunMessage}, (404, 409, 422), Acted),
    Route("POST", f"{_RUN}/cancel", "cancel", "Take a run out of the queue, or ask it to stop.",
          {200: Cancelled, 202: Cancelled}, (404, 409, 422), Acted),
    Route("GET", f"{_RUN}/result", "result", "The result document.", {200: RESULT}, (404, 409)),
    Route("GET", f"{_RUN}/result.csv", "result_csv", "The result as a flat table.", {200: CSV},
          (404, 409)),
    Route("GET", f"{_RUN}/file", "run_file", "The run file; takes Range.",
          {200: HDF5, 206: HDF5}, (404,), headers={"Range": "Bytes wanted, such as bytes=0-1023."}),
    Route("GET", f"{_RUN}/preview", "run_preview",
          "The newest record of each role, lowest and highest value of each bucket.",
          {200: Preview}, _GONE, question=PreviewQuestion),
    Route("GET", "/events", "events", "Server-sent events, from any number on.", {200: EVENTS},
          (422, 503), question=EventsQuestion,
          headers={"Last-Event-ID": "Go on after this number; it goes before 'after'."}),
    Route("GET", "/schedules", "list_schedules", "Schedules with a time to come.",
          {200: Schedules}),
    Route("DELETE", "/schedules/{number}", "end_schedule",
          "End a schedule; runs that it has queued stay.", {204: None}, (404, 409)),
)  # fmt: skip
