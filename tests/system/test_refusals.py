"""What is wrong is said at once, in words, with the right exit code, and nothing is touched."""

import re
import socket

import pytest

pytestmark = pytest.mark.timeout(400)  # several whole runs, on a machine that may be busy


@pytest.fixture
def bench_at(program):
    """A function that writes a bench profile with its instruments at three ports."""

    def write(ports, name="bench.yaml", example="wind_tunnel_simulated"):
        text = program.run("example", example).stdout
        for shipped, port in zip((45025, 45026, 45027), ports, strict=True):
            text = text.replace(f"::{shipped}::", f"::{port}::")
        path = program.folder / name
        path.write_text(text)
        return path

    return write


def free_ports():
    listeners = [socket.create_server(("127.0.0.1", 0)) for _ in range(3)]
    ports = [listener.getsockname()[1] for listener in listeners]
    for listener in listeners:
        listener.close()
    return ports


FIVE_MISTAKES = {
    "duration: 40 us": "duration: 40 mV",
    "slope: positive": "slope: rising",
    "repeats: 32": "repeats: many",
    "correction: auto": "corection: auto",
    "kind: no_current": "kind: no_curent",
}


def test_five_mistakes_are_five_messages_and_no_instrument_is_contacted(program, ears, bench_at):
    text = program.run("example", "bonding_lead").stdout
    for right, wrong in FIVE_MISTAKES.items():
        text = text.replace(right, wrong)
    recipe = program.folder / "wrong.yaml"
    recipe.write_text(text)
    lines = text.splitlines()

    done = program.run("run", recipe, "--bench", bench_at(ears.ports))

    assert done.returncode == 2
    places = re.findall(r"^\S*wrong\.yaml:(\d+):(\d+): (.+)$", done.stderr, re.MULTILINE)
    assert len(places) == 5, done.stderr
    for line, column, _message in places:
        found = lines[int(line) - 1][int(column) - 1 :]
        assert any(
            found.startswith(wrong)
            for wrong in ("40 mV", "rising", "many", "corection", "no_curent")
        )
    assert "did you mean" in done.stderr
    assert "5 problems found; nothing was contacted or changed." in done.stderr
    assert "Traceback" not in done.stderr
    assert ears.connections_at_last() == 0
    assert not (program.folder / "runs").exists()


def test_mistakes_of_recipe_and_bench_are_told_together(program, bench_at):
    recipe = program.folder / "recipe.yaml"
    recipe.write_text(program.run("example", "bonding_lead").stdout.replace("40 us", "40"))
    bench = bench_at((1, 2, 3))
    bench.write_text(bench.read_text().replace("channel: 1", "channel: one"))

    done = program.run("plan", recipe, "--bench", bench)

    assert done.returncode == 2
    assert "recipe.yaml:" in done.stderr
    assert "bench.yaml:" in done.stderr
    assert "2 problems found" in done.stderr


def test_an_address_where_nothing_listens_is_one_clear_line(program, bench_at):
    ports = free_ports()

    done = program.run("run", "bonding_lead", "--bench", bench_at(ports))

    assert done.returncode == 4
    (line,) = [line for line in done.stderr.splitlines() if str(ports[0]) in line]
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert line.strip()


def test_check_says_that_nothing_listens(program, bench_at):
    done = program.run("check", "bonding_lead", "--bench", bench_at(free_ports()))

    assert done.returncode == 4
    assert "The run would be refused" in done.stdout
    assert "Traceback" not in done.stderr


def test_a_host_that_accepts_and_says_nothing_is_a_fault_too(program, ears, bench_at):
    bench = bench_at(ears.ports)
    bench.write_text(bench.read_text().replace("reconnects: 3", "reconnects: 0"))

    done = program.run("run", "bonding_lead", "--bench", bench)

    assert done.returncode == 4
    assert ears.connections_at_last() >= 1
    assert "Traceback" not in done.stderr


def test_an_operator_fixture_without_a_terminal_is_refused_before_anything_is_contacted(
    program, ears, bench_at
):
    bench = bench_at(ears.ports, example="wind_tunnel_operator")

    done = program.run("run", "bonding_lead", "--bench", bench)

    assert done.returncode == 2
    assert "operator" in done.stderr
    assert "terminal" in done.stderr
    assert ears.connections_at_last() == 0


def test_an_unwritable_output_is_refused(program, simulated):
    bench, _ = simulated()
    (program.folder / "runs").write_text("a file, not a folder")

    done = program.run("run", "bonding_lead", "--bench", bench)

    assert done.returncode == 2
    assert "runs" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ("show", "nowhere.h5"),
        ("verify", "nowhere.h5"),
        ("resume", "nowhere.spool"),
        ("reanalyse", "nowhere.h5"),
        ("predict", "nowhere.h5", "--inductance", "100uH"),
        ("plan", "nowhere", "--bench", "wind_tunnel_simulated"),
        ("plan", "bonding_lead", "--bench", "nowhere"),
        ("plan", "bonding_lead"),
    ],
    ids=" ".join,
)
def test_what_is_not_there_is_said_in_words(program, arguments):
    done = program.run(*arguments)

    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stderr.strip()


@pytest.mark.parametrize("command", ["show", "verify", "reanalyse", "predict"])
def test_a_file_that_is_no_run_file_is_said_in_words(program, command):
    path = program.folder / "poem.h5"
    path.write_bytes(b"shall I compare thee" * 100)
    more = ("--inductance", "1 mH") if command == "predict" else ()

    done = program.run(command, path, *more)

    assert done.returncode == 2
    assert "poem.h5" in done.stderr
    assert "Traceback" not in done.stderr
