"""The API's description against the API itself, and random bodies against both."""

from __future__ import annotations

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012

from acquire.daemon import api as api_module
from acquire.daemon import openapi
from acquire.daemon.desk import Desk
from acquire.daemon.folder import StateFolder
from acquire.daemon.routes import ROUTES
from acquire.daemon.server import ApiServer

BASE = "/api/v1"
DOCUMENT = json.loads(openapi.text())
REGISTRY = Registry().with_resource(
    "urn:document", Resource(contents=DOCUMENT, specification=DRAFT202012)
)


def described(path, method, answer):
    """Check one answer against what the document says about it; return the answer."""
    said = DOCUMENT["paths"][BASE + path][method.lower()]["responses"]
    assert str(answer.status) in said, (path, method, answer.status, answer.text[:300])
    content = said[str(answer.status)].get("content")
    if content is None:
        assert answer.body == b""
        return answer
    sent = answer.headers["Content-Type"]
    kind = next(one for one in content if sent.startswith(one.partition(";")[0]))
    schema = content[kind].get("schema")
    if schema and "json" in kind:
        reference = {"$ref": f"urn:document{schema['$ref']}"} if "$ref" in schema else schema
        validator = Draft202012Validator(
            reference, registry=REGISTRY, format_checker=Draft202012Validator.FORMAT_CHECKER
        )
        assert [str(one) for one in validator.iter_errors(answer.json)] == []
    return answer


def test_every_route_of_the_app_is_described_and_every_described_one_is_there(folder):
    app = api_module.create(folder, Desk(folder), None).app
    served = {
        (route.path.replace("{number:int}", "{number}"), method)
        for route in app.routes
        for method in route.methods - {"HEAD"}
    }
    said = {(path, method.upper()) for path, of in DOCUMENT["paths"].items() for method in of}

    beside = {(path, "GET") for path in api_module.PAGE} | {("/metrics", "GET")}
    assert served == said | beside


def test_the_document_is_right_by_itself():
    """Every reference leads somewhere; every schema is a schema (JSON Schema 2020-12)."""
    assert DOCUMENT["openapi"].startswith("3.1.")
    resolver = REGISTRY.resolver("urn:document")
    for reference in set(_references(DOCUMENT)):
        resolver.lookup(reference)
    for schema in DOCUMENT["components"]["schemas"].values():
        Draft202012Validator.check_schema(schema)
    names = [op["operationId"] for of in DOCUMENT["paths"].values() for op in of.values()]
    assert len(names) == len(set(names)) == len(ROUTES)


def _references(value):
    if isinstance(value, dict):
        if "$ref" in value:
            yield value["$ref"]
        for one in value.values():
            yield from _references(one)
    elif isinstance(value, list):
        for one in value:
            yield from _references(one)


def test_every_route_answers_as_described(ask, queue, recipe_text):
    right = {"recipe_text": recipe_text, "bench": "by_hand"}
    run, scheduled = "/runs/{number}", "/schedules/{number}"

    def get(path, place=None):
        return described(path, "GET", ask("GET", BASE + (place or path)))

    def post(path, body, place=None):
        return described(path, "POST", ask("POST", BASE + (place or path), body))

    for path in ("/health", "/metrics", "/openapi.json", "/benches", "/recipes", "/schedules"):
        get(path)
    queue.beat()
    assert get("/health").status == 200
    number = post("/runs", right | {"key": "k"}).json["run"]["id"]
    assert post("/runs", right | {"key": "k"}).status == 200
    assert post("/runs", right | {"every": "1 d", "zone": "UTC"}).status == 201
    assert post("/runs", {"bench": 3}).status == 422
    assert get("/runs").status == 200
    assert get("/runs", "/runs?state=x").status == 422
    queue.claim(["by_hand"])
    queue.open_gate(number, "bare", "take it out", ["isolate first"])
    assert get(run, f"/runs/{number}").json["gate"]["condition"] == "bare"
    confirm = f"/runs/{number}/confirm"
    assert post(f"{run}/confirm", {"by": "me"}, confirm).status == 422
    assert post(f"{run}/confirm", {"by": "me", "condition": "bare"}, confirm).status == 200
    assert post(f"{run}/resume", {}, f"/runs/{number}/resume").status == 409
    queue.park(number, "for a test")
    assert post(f"{run}/resume", {}, f"/runs/{number}/resume").status == 200
    assert post(f"{run}/cancel", {}, f"/runs/{number}/cancel").status == 200
    assert post(f"{run}/cancel", {}, "/runs/99/cancel").status == 404
    for part in ("/result", "/result.csv", "/file"):
        assert get(run + part, f"/runs/{number}{part}").status == 404
    assert get(f"{run}/preview", f"/runs/{number}/preview").status == 200
    for place, status in (("/schedules/1", 204), ("/schedules/1", 409), ("/schedules/9", 404)):
        answer = described(scheduled, "DELETE", ask("DELETE", BASE + place))
        assert answer.status == status
    assert get("/events", "/events?after=x").status == 422
    assert described("/runs", "GET", ask("GET", f"{BASE}/runs", Host="evil")).status == 400


def test_what_a_run_leaves_answers_as_described(measured, ask_unix):
    with ApiServer(measured):
        for part in ("", "/result", "/result.csv", "/file", "/preview"):
            answer = ask_unix(measured, "GET", f"{BASE}/runs/1{part}")
            assert described("/runs/{number}" + part, "GET", answer).status == 200
        piece = ask_unix(measured, "GET", f"{BASE}/runs/1/file", Range="bytes=0-9")
        assert described("/runs/{number}/file", "GET", piece).status == 206


_SCALARS = (
    st.none() | st.booleans() | st.integers() | st.text(max_size=30)
    | st.sampled_from(["tunnel", "1 d", "* * * * *", "2030-01-01T00:00", "UTC", "../x", "bare"])
)  # fmt: skip
_VALUES = st.recursive(_SCALARS, lambda one: st.lists(one, max_size=3), max_leaves=4)
_KEYS = ["recipe", "recipe_text", "bench", "priority", "at", "every", "cron", "zone", "count",
         "key", "by", "condition"]  # fmt: skip
_BODIES = st.dictionaries(st.sampled_from(_KEYS), _VALUES, max_size=8)


@pytest.mark.parametrize("path", ["/runs", "/runs/{number}/confirm", "/runs/{number}/cancel"])
def test_no_body_is_too_strange(ask, path):
    """Whatever is sent is answered as described, and never by a fault of the server."""

    @settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
    @given(body=_BODIES | _VALUES)
    def check(body):
        text = json.dumps(body)
        answer = ask("POST", BASE + path.replace("{number}", "1"), text)
        assert described(path, "POST", answer).status < 500

    check()


@given(
    path=st.sampled_from(["/runs", "/runs/1/preview", "/events", "/runs/1", "/schedules"]),
    question=st.text(st.characters(codec="ascii", exclude_characters="\x7f", min_codepoint=33)),
)
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
def test_no_question_is_too_strange(asked_once, path, question):
    answer = asked_once("GET", f"{BASE}{path}?x={question}")
    assert 400 <= answer.status < 500 or answer.status == 200


@pytest.fixture(scope="module")
def asked_once(tmp_path_factory, ask_unix):
    folder = StateFolder(tmp_path_factory.mktemp("strange") / "state")
    folder.prepare()
    with ApiServer(folder):
        yield lambda *question: ask_unix(folder, *question)
