"""The API on real sockets: who may open it, what it answers, and what it turns away."""

import http.client
import json
import socket

import pytest

from acquire.daemon.server import ApiServer

FIVE_MISTAKES = "floorshot_recipe: 2\ntitle: 5\npurpose: x\nshot: []\nconductor: {name: a}\n"


class UnixConnection(http.client.HTTPConnection):
    def __init__(self, path):
        super().__init__("localhost", timeout=20)
        self._path = str(path)

    def connect(self):
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(20)
        self.sock.connect(self._path)


@pytest.fixture
def ask(folder, bench):
    """Ask over the Unix socket; returns (status, decoded JSON or text)."""
    with ApiServer(folder):

        def request(method, path, body=None, **headers):
            connection = UnixConnection(folder.socket)
            if body is not None:
                headers.setdefault("Content_Type", "application/json")
                body = body if isinstance(body, str) else json.dumps(body)
            named = {name.replace("_", "-"): value for name, value in headers.items()}
            connection.request(method, path, body, named)
            answer = connection.getresponse()
            text = answer.read().decode()
            connection.close()
            kind = answer.headers.get("Content-Type", "")
            return answer.status, json.loads(text) if "json" in kind else text

        yield request


def test_the_socket_is_for_its_user_only(ask, folder):
    assert folder.socket.stat().st_mode & 0o777 == 0o600


def test_a_recipe_is_queued_once_for_one_key(ask, queue, recipe_text):
    body = {"recipe_text": recipe_text, "bench": "tunnel", "key": "night-1"}
    first, second = (ask("POST", "/api/v1/runs", body) for _ in range(2))

    assert first[0] in (200, 201, 202)
    assert first[1]["run"]["id"] == second[1]["run"]["id"]
    assert len(queue.runs(["queued"])) == 1


def test_every_mistake_of_a_recipe_comes_back_with_its_place(ask):
    status, answer = ask("POST", "/api/v1/runs", {"recipe_text": FIVE_MISTAKES, "bench": "tunnel"})

    assert status == 422
    assert "line" in json.dumps(answer)


@pytest.mark.parametrize("name", ["../bonding", "/etc/passwd", "a/b"])
def test_a_name_never_becomes_a_path(ask, name):
    status, _ = ask("POST", "/api/v1/runs", {"recipe": name, "bench": "tunnel"})

    assert 400 <= status < 500


def test_a_foreign_host_and_a_foreign_origin_get_nothing(ask):
    assert ask("GET", "/api/v1/runs", Host="evil.example")[0] in (400, 421)
    assert ask("POST", "/api/v1/runs", {}, Origin="http://evil.example")[0] == 403


def test_only_json_changes_anything_and_only_so_much_of_it(ask):
    assert ask("POST", "/api/v1/runs", "recipe=1", Content_Type="text/plain")[0] == 415
    assert ask("POST", "/api/v1/runs", {"recipe_text": "x" * 400_000, "bench": "tunnel"})[0] == 413


def test_health_and_figures_are_told(ask):
    assert ask("GET", "/api/v1/health")[0] in (200, 503)
    status, text = ask("GET", "/metrics")
    assert status == 200
    assert 'floorshot_runs{state="queued"} 0' in text
    assert text.endswith("# EOF\n")


def test_tcp_asks_for_the_token(folder, bench):
    (folder.root / "daemon.yaml").write_text("http: {port: 0}\n")
    with ApiServer(folder) as server:
        host, port = server.address.removeprefix("http://").rstrip("/").split(":")
        statuses = []
        for token in (None, "wrong", folder.token.read_text().strip()):
            connection = http.client.HTTPConnection(host, int(port), timeout=20)
            headers = {} if token is None else {"Authorization": f"Bearer {token}"}
            connection.request("GET", "/api/v1/runs", headers=headers)
            answer = connection.getresponse()
            answer.read()
            connection.close()
            statuses.append(answer.status)

    assert statuses == [401, 401, 200]
    assert folder.token.stat().st_mode & 0o777 == 0o600
