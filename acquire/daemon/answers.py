"""How the API answers: JSON, and every error in the one shape of RFC 9457."""

from __future__ import annotations

import http
from collections.abc import Mapping, Sequence

from pydantic import BaseModel
from starlette.responses import Response

from acquire.daemon.messages import ErrorMessage, ProblemMessage
from acquire.errors import Problem


class Refusal(Exception):  # noqa: N818 - an answer on its way, not a fault of ours
    """Ends a request with an error answer."""

    def __init__(
        self,
        status: int,
        detail: str,
        problems: Sequence[Problem] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status, self.detail = status, detail
        self.problems, self.headers = tuple(problems), headers


def answer(
    body: BaseModel, status: int = 200, headers: Mapping[str, str] | None = None
) -> Response:
    """Return a body as JSON."""
    return Response(body.model_dump_json(), status, headers, "application/json")


def error(refusal: Refusal) -> Response:
    """Return a refusal as an answer."""
    body = ErrorMessage(
        title=http.HTTPStatus(refusal.status).phrase,
        status=refusal.status,
        detail=refusal.detail,
        problems=[ProblemMessage.of(problem) for problem in refusal.problems],
    )
    return Response(
        body.model_dump_json(), refusal.status, refusal.headers, "application/problem+json"
    )
