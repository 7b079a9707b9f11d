"""A broken recipe, bench, spool or run file of each kind: one clear message, code 2, no harm."""

import re
import shutil
from pathlib import Path

import pytest

from acquire.bench import load_bench
from acquire.cli import invoke
from acquire.recipe import load_recipe
from acquire.run.runner import run
from acquire.run.stop import StopFlag
from simulated_instruments.bench import SimulatedBench

PROFILES = Path(__file__).resolve().parents[2] / "profiles"
RECIPE = (PROFILES / "recipes" / "bonding_lead.yaml").read_text()
BENCH = (PROFILES / "benches" / "wind_tunnel_simulated.yaml").read_text()
LONGEST = 6
"""Lines that one mistake may take: place and message, excerpt, caret, count, advice."""


def changed(text, old, new):
    assert old in text, old
    return text.replace(old, new)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A whole run file, and the spool of a run that was stopped after two shots."""
    folder = tmp_path_factory.mktemp("made")
    with SimulatedBench(seed=3) as simulated:
        text = BENCH
        for role, port in (("scope", 45025), ("switch", 45026), ("ohmmeter", 45027)):
            text = changed(text, f"TCPIP::127.0.0.1::{port}::SOCKET", simulated.resources[role])
        (folder / "bench.yaml").write_text(changed(text, "50 ms", "1 ms"))
        short = changed(changed(RECIPE, "repeats: 32", "repeats: 3"), "40 us", "10 us")
        (folder / "recipe.yaml").write_text(short[: short.index("limits:")])
        recipe, bench = load_recipe(folder / "recipe.yaml"), load_bench(folder / "bench.yaml")
        stop, stored = StopFlag(), []

        def after_two(event):
            stored.extend([event] if event.name == "shot_stored" else [])
            if len(stored) == 2:
                stop.request("a test")

        broken = run(recipe, bench, folder, on_event=after_two, stop=stop)
        whole = run(recipe, bench, folder)
    return whole.path, broken.spool


@pytest.fixture
def say(capfd, tmp_path):
    """Run one command line; it must end with code 2 and a short message, and change nothing."""

    def run_it(*arguments, names):
        before = contents(tmp_path)
        code = invoke(list(map(str, arguments)))
        said = capfd.readouterr()
        message = said.err.strip()
        assert code == 2, message
        assert names in message.replace("\n", "")
        assert "Traceback" not in message
        assert "Unexpected" not in message
        assert 1 <= len(message.splitlines()) <= LONGEST, message
        assert contents(tmp_path) == before
        return message

    return run_it


def contents(folder):
    return {
        p: p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file() and p.name != "lock"
    }


# -- recipe and bench ------------------------------------------------------------------------------
TEXTS = {
    "empty": lambda _: b"",
    "no mapping": lambda _: b"- a\n- b\n",
    "not text": lambda _: bytes(range(256)),
    "not UTF-8": lambda t: t.encode() + "# Verstärker".encode("latin-1"),
    "a tab": lambda t: ("\tx: 1\n" + t).encode(),
    "a bracket left open": lambda t: (t + "\nlast: [1, 2\n").encode(),
    "a key twice": lambda t: (t + "\n" + t.splitlines()[-1].split(":")[0] + "\n").encode(),
    "an unknown key": lambda t: (t + "\ncolour: red\n").encode(),
    "an anchor": lambda t: re.sub("\n(title|site): ", "\n\\1: &a ", t, count=1).encode(),
    "another version": lambda t: t.replace("_recipe: 1", "_recipe: 9").replace(
        "_bench: 1", "_bench: 9"
    ).encode(),
    "the other kind": lambda t: (BENCH if t == RECIPE else RECIPE).encode(),
    "much too large": lambda _: b"# " + b"x" * (20 << 20),
}  # fmt: skip


@pytest.mark.parametrize("kind", TEXTS)
@pytest.mark.parametrize("which", ["recipe", "bench"])
def test_a_broken_text(say, tmp_path, which, kind):
    path = tmp_path / f"broken_{which}.yaml"
    path.write_bytes(TEXTS[kind](RECIPE if which == "recipe" else BENCH))
    recipe, bench = (path, "wind_tunnel_simulated")
    if which == "bench":
        recipe, bench = ("bonding_lead", path)

    say("run", recipe, "--bench", bench, "--output", tmp_path / "runs", names=path.name)


VALUES = {
    "recipe": {
        "a wrong unit": ("duration: 40 us", "duration: 40 kg"),
        "no unit": ("duration: 40 us", "duration: 40"),
        "not finite": ("duration: 40 us", "duration: .inf s"),
        "a negative number": ("repeats: 32", "repeats: -1"),
        "a name that is not there": ("source: inverter_edge", "source: inverter_egde"),
        "a condition that is not there": (
            "{role: floor, condition: probe_off}", "{role: floor, condition: probe_of}",
        ),
    },
    "bench": {
        "a probe that is not there": ("probe: clamp_5ohm", "probe: clamp_6ohm"),
        "no resource": ("resource: TCPIP::127.0.0.1::45025::SOCKET", "resource: ''"),
        "a channel below 1": ("channel: 1", "channel: 0"),
        "a wrong unit": ("maximum_input: 10 V", "maximum_input: 10 A"),
        "a date that is none": ("calibration_due: 2099-12-31 # a real", "calibration_due: x # a"),
    },
}  # fmt: skip


@pytest.mark.parametrize(
    ("which", "kind"), [(which, kind) for which, kinds in VALUES.items() for kind in kinds]
)
def test_a_broken_value_is_named_with_its_line(say, tmp_path, which, kind):
    text = RECIPE if which == "recipe" else BENCH
    path = tmp_path / f"broken_{which}.yaml"
    path.write_text(changed(text, *VALUES[which][kind]))
    recipe, bench = (path, "wind_tunnel_simulated")
    if which == "bench":
        recipe, bench = ("bonding_lead", path)

    message = say("run", recipe, "--bench", bench, "--output", tmp_path / "runs", names=path.name)

    assert f"{path.name}:" in message.replace("\n", "")


# -- spool -----------------------------------------------------------------------------------------
def flip(path, place):
    data = bytearray(path.read_bytes())
    data[int(place * (len(data) - 1))] ^= 0x10
    path.write_bytes(data)


def cut(path, place):
    path.write_bytes(path.read_bytes()[: int(place * path.stat().st_size)])


def first_shot(spool):
    return min((spool / "shots").glob("*.h5"))


SPOOLS = {
    "no spool at all": shutil.rmtree,
    "header gone": lambda s: (s / "header.json").unlink(),
    "header cut": lambda s: cut(s / "header.json", 0.5),
    "header flipped": lambda s: flip(s / "header.json", 0.5),
    "header empty": lambda s: (s / "header.json").write_bytes(b""),
    "instruments flipped": lambda s: flip(s / "instruments.json", 0.7),
    "shot cut": lambda s: cut(first_shot(s), 0.6),
    "shot empty": lambda s: first_shot(s).write_bytes(b""),
    "shot flipped early": lambda s: flip(first_shot(s), 0.01),
    "shot flipped": lambda s: flip(first_shot(s), 0.5),
    "seal flipped": lambda s: flip(first_shot(s), 0.999),
    "shot under another name": lambda s: first_shot(s).rename(s / "shots" / "09_target_x.h5"),
    "a strange file": lambda s: (s / "shots" / "notes.h5").write_text("x"),
}


@pytest.mark.parametrize("kind", SPOOLS)
@pytest.mark.parametrize("command", ["resume", "verify"])
def test_a_broken_spool(say, made, tmp_path, command, kind):
    spool = tmp_path / "broken.spool"
    shutil.copytree(made[1], spool)
    SPOOLS[kind](spool)

    say(command, spool, names="broken.spool")


@pytest.mark.parametrize("place", [0.1, 0.5, 0.9])
def test_a_flipped_event_is_found_by_verify(say, made, tmp_path, place):
    spool = tmp_path / "broken.spool"
    shutil.copytree(made[1], spool)
    flip(spool / "events.jsonl", place)

    say("verify", spool, names="events.jsonl")


# -- run file --------------------------------------------------------------------------------------
FILES = {
    "not there": lambda p: p.unlink(),
    "empty": lambda p: p.write_bytes(b""),
    "a text": lambda p: p.write_text("attenuation 40 dB\n"),
    "a folder": lambda p: (p.unlink(), p.mkdir()),
    "cut": lambda p: cut(p, 0.7),
    "grown": lambda p: p.write_bytes(p.read_bytes() + b"x"),
    "flipped early": lambda p: flip(p, 0.001),
    "flipped": lambda p: flip(p, 0.3),
    "seal flipped": lambda p: flip(p, 0.9999),
    "a shot": None,
}


@pytest.mark.parametrize("kind", FILES)
@pytest.mark.parametrize("command", ["verify", "show", "reanalyse"])
def test_a_broken_run_file(say, made, tmp_path, command, kind):
    path = tmp_path / "broken.h5"
    shutil.copy(made[0] if FILES[kind] else first_shot(made[1]), path)
    if FILES[kind]:
        FILES[kind](path)
    if kind == "flipped" and command == "show":
        pytest.skip("raw data are not read to show a result; verify and reanalyse find it")

    say(command, path, names="broken.h5")
