"""Break whole runs at random moments, go on with them, and count what was lost.

    python tests/crash/run_campaign.py [--kills 500] [--faults 100]

Real processes run ``floorshot run`` and ``floorshot resume`` against a simulated bench of this
process, over real sockets and into real files. Prints a table; the one in acquire/run/README.md
comes from here. After every break:

* each shot that was announced as stored is there, and holds the codes that it held when it was
  first seen (a shot is announced after it is durable);
* ``verify`` finds nothing;
* a path of the protective conductor is closed;

and when the run has been resumed to its end:

* the shots are those of the unbroken run: names, roles, conditions, ranges, repeats, samples. Their
  codes cannot be: the simulated source has gone on in the meantime, as a real one would. Shots
  taken before the first break must be;
* every result has the state of the unbroken one, and the attenuations agree: their difference is
  at most the root sum of squares of the half intervals (E_n <= 1, ISO 13528:2022, from memory);
* the file verifies, nothing else is left in the folder, and the relays stand in the bare condition.

A departure from any of this is an AssertionError, so a table that is printed shows no loss.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import math
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from acquire.bench import load_bench  # noqa: E402 - after the path
from acquire.recipe import load_recipe  # noqa: E402 - after the path
from acquire.run.evaluation import transducers_of  # noqa: E402 - after the path
from acquire.runfile import RunFile, Spool, verify  # noqa: E402 - after the path
from simulated_instruments.bench import SimulatedBench  # noqa: E402 - after the path

STARTER = Path(__file__).with_name("run_starter.py")
DIALECTS = ("keysight_infiniivision", "tektronix")
SEED = 20260311
DONE = {0, 1, 3}
PATIENCE = 240.0
"""Longest that one process may take, also on a busy machine. [s]"""
STORING = "kill -9 while the run file is being written"
LONGEST_CHAIN = 8
"""Kills of one run; then it may end."""
PATHS = frozenset({101, 102, 103, 104})
"""Relays that each close a path of the protective conductor."""


class Starter:
    """The process that starts the others."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, STARTER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1"}, text=True, bufsize=1,
        )  # fmt: skip
        assert self._answer() == "ready"

    def _answer(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()

    def start(self, order: dict[str, Any]) -> Started:
        """Start one command."""
        assert self._process.stdin is not None
        Path(order["told"]).write_text("")
        self._process.stdin.write(json.dumps(order) + "\n")
        return Started(int(self._answer().split()[1]), Path(order["told"]), self)

    def ended(self) -> int:
        """Wait for the command to end; its exit code, or minus its signal."""
        return int(self._answer().split()[1])

    def close(self) -> None:
        """End; no command is running by then."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(60)
        self._process.stdout.close()


class Started:
    """One command that was started."""

    def __init__(self, pid: int, told: Path, starter: Starter) -> None:
        self._told, self._starter = told, starter
        self._handle: int | None = None
        with contextlib.suppress(ProcessLookupError):
            self._handle = os.pidfd_open(pid)

    def send(self, number: signal.Signals) -> None:
        """Send a signal, to this very process or to none."""
        with contextlib.suppress(ProcessLookupError):
            if self._handle is not None:
                signal.pidfd_send_signal(self._handle, number)

    def told(self) -> str:
        """Everything that it has said so far."""
        return self._told.read_text()

    def wait_until(self, condition: Callable[[str], bool]) -> None:
        """Wait until what it said meets ``condition``, or until it has ended."""
        end = time.monotonic() + PATIENCE
        while not condition(self.told()) and not self._over():
            assert time.monotonic() < end, self.told()
            time.sleep(0.005)

    def _over(self) -> bool:
        try:
            if self._handle is not None:
                signal.pidfd_send_signal(self._handle, 0)
        except ProcessLookupError:
            return True
        return self._handle is None

    def ended(self) -> int:
        """Wait for its end and return its exit code, or minus the signal that ended it."""
        end = time.monotonic() + PATIENCE
        while not self._over():
            if time.monotonic() > end:
                self.send(signal.SIGKILL)
                raise AssertionError(f"it hung: {self.told()}")
            time.sleep(0.005)
        code = self._starter.ended()
        if self._handle is not None:
            os.close(self._handle)
        return code


def announced(told: str) -> list[str]:
    """Return the shots that the command said were stored."""
    lines = [line.split() for line in told.splitlines()]
    return [words[2] for words in lines if len(words) > 3 and words[3] == "stored:"]


@dataclass
class Row:
    """One line of the table."""

    tried: int = 0
    announced: int = 0
    ended: dict[str, int] = field(default_factory=dict)
    resumed: int = 0
    equal: int = 0
    largest_apart: float = 0.0


@dataclass
class Campaign:
    """Counts, by kind of break."""

    rows: dict[str, Row] = field(default_factory=dict)
    codes: int = 0
    """Shots before a first break, each of which had the unbroken run's codes."""

    def row(self, kind: str) -> Row:
        """Return the row of a kind of break, made on first use."""
        return self.rows.setdefault(kind, Row())

    @property
    def kills(self) -> int:
        """Return how many processes were killed."""
        return sum(row.tried for kind, row in self.rows.items() if kind.startswith("kill -9"))

    def markdown(self) -> str:
        """Return the table."""
        lines = [
            "| what broke the run | times tried | announced shots there / lost | process ended "
            "with | resumed to the end | equal | largest E_n |",
            "|---|---|---|---|---|---|---|",
        ]
        for kind, row in sorted(self.rows.items()):
            ends = ", ".join(f"{end} ({n})" for end, n in sorted(row.ended.items()))
            lines.append(
                f"| {kind} | {row.tried} | {row.announced} / 0 | {ends} | {row.resumed} | "
                f"{row.equal} | {row.largest_apart:.2f} |"
            )
        lines += [
            "",
            f"{self.codes} shots before a first break equal the unbroken run's to the code.",
        ]
        return "\n".join(lines)


@dataclass(frozen=True)
class Whole:
    """What a run that reached its end consists of."""

    structure: list[tuple[Any, ...]]
    digests: dict[str, str]
    results: dict[tuple[str, str, str], tuple[str, float, list[float]]]


class Station:
    """One simulated bench, one recipe and one folder."""

    def __init__(
        self, simulated: SimulatedBench, dialect: str, folder: Path, starter: Starter
    ) -> None:
        self.simulated, self.dialect = simulated, dialect
        self.folder, self.starter = folder, starter
        folder.mkdir()
        self.recipe, self.bench = folder / "rack.yaml", folder / "bench.yaml"
        self.recipe.write_text(_recipe_text())
        self.bench.write_text(_bench_text(simulated.resources))
        loaded = load_recipe(self.recipe).recipe
        self.transducers = transducers_of(loaded, load_bench(self.bench))
        self.output = folder / "runs"
        self.seen: dict[str, str] = {}
        self.before_break: dict[str, str] | None = None
        self.told = ""
        self.largest_apart = 0.0

    def start(self, failing: Sequence[tuple[str, str, int]] = (), output: str = "") -> Started:
        """Begin the run, or go on with it where there is something to go on with."""
        spool = self.spool
        is_begun = spool is not None and (spool / "header.json").exists()
        if spool is not None and (is_begun or self.file is not None):
            command = ["resume", spool, "--bench", self.bench]
        else:
            command = ["run", self.recipe, "--bench", self.bench, "--output", output or self.output]
        told = self.folder / "told.txt"
        order = {"command": [str(c) for c in command], "told": str(told), "failing": failing}
        return self.starter.start(order)

    @property
    def spool(self) -> Path | None:
        """Return the folder to resume from, if there is one."""
        return next(iter(self.output.glob("*.spool")), None)

    @property
    def file(self) -> Path | None:
        """Return the run file, if there is one."""
        return next(iter(self.output.glob("*.h5")), None)

    @property
    def is_storing(self) -> bool:
        """Whether every shot is taken and the run file is being written."""
        logs = [spool / "events.jsonl" for spool in self.output.glob("*.spool")]
        with contextlib.suppress(FileNotFoundError):
            return any(b'"run_stored"' in log.read_bytes()[-2000:] for log in logs)
        return True

    def check(self, told: str) -> tuple[int, str]:
        """Hold a break to account; return how many shots were announced, and how far it was."""
        self.told = told
        stored = announced(told)
        assert len(stored) == len(set(stored))
        assert not set(stored) & set(self.seen), "a stored shot was taken again"
        digests, phase = self._digests()
        assert set(self.seen) | set(stored) <= set(digests), "a shot was lost"
        for shot, digest in self.seen.items():
            assert digests[shot] == digest, f"{shot} is not what it was"
        self.seen = digests
        if self.before_break is None:
            self.before_break = dict(digests)
        assert self.simulated.circuit.closed & PATHS, "the protective conductor is open"
        return len(stored), phase

    def _digests(self) -> tuple[dict[str, str], str]:
        if self.file is not None:
            assert verify(self.file) == []
            with RunFile.open(self.file, trusted=True) as file:
                return _digests(file.captures(self.transducers)), "the run file stands"
        if self.spool is None or not (self.spool / "header.json").exists():
            return {}, "nothing is stored yet"
        damage = verify(self.spool)
        assert damage == [], damage
        with Spool.open(self.spool, writable=False) as spool:
            digests = _digests(spool.captures(self.transducers))
            names = [event.name for event in spool.events.stream()]
        if "run_stored" in names:
            return digests, "the run file is being written"
        return digests, "shots are being taken" if digests else "nothing is stored yet"

    def _never_was_a_run(self, path: Path) -> bool:
        """Whether this is of a folder that a kill left before it had a header: nothing is in it."""
        spool = self.output / path.relative_to(self.output).parts[0]
        names = {p.name for p in spool.rglob("*")} if spool.is_dir() else {"a file"}
        return names <= {"lock", "shots", ".header.json.tmp"}

    def whole(self) -> Whole:
        """Return what the finished run consists of, having held it to account."""
        assert self.file is not None
        assert verify(self.file) == []
        left = {str(p.relative_to(self.output)) for p in self.output.rglob("*")}
        left -= {name for name in left if self._never_was_a_run(self.output / name)}
        assert left == {self.file.name}, (left, self.told)
        assert self.simulated.circuit.closed == {101}
        with RunFile.open(self.file, trusted=True) as file:
            digests = _digests(file.captures(self.transducers))
            structure = [
                (s.name, s.role, s.condition, s.repeats, s.samples, s.interval, s.ranges)
                for s in file.shots()
            ]
            document = json.loads(file.document or "{}")
        results = {
            (r["condition"], r["quantity"], r["measure"]): (
                r["attenuation"]["state"], r["attenuation"]["db"], r["attenuation"]["interval_db"]
            )
            for r in document["results"]
        }  # fmt: skip
        return Whole(structure, digests, results)

    def equals(self, unbroken: Whole) -> bool:
        """Hold the resumed run against the unbroken one; see the top of this file."""
        whole = self.whole()
        assert whole.structure == unbroken.structure
        for shot, digest in self.seen.items():
            assert whole.digests[shot] == digest, f"{shot} is not what it was"
        for shot, digest in (self.before_break or {}).items():
            assert unbroken.digests[shot] == digest, f"{shot} is not that of the unbroken run"
        assert set(whole.results) == set(unbroken.results)
        for key, (state, attenuation, interval) in whole.results.items():
            wanted, other, wide = unbroken.results[key]
            assert state == wanted == "resolved", key
            apart = (attenuation - other) / math.hypot(_half(interval), _half(wide))
            assert abs(apart) <= 1, (key, attenuation, interval, other, wide)
            self.largest_apart = max(self.largest_apart, abs(apart))
        return True


def _digests(captures: Sequence[Any]) -> dict[str, str]:
    found: dict[str, Any] = {}
    for capture in captures:
        found.setdefault(capture.shot, hashlib.sha256()).update(bytes(capture.codes))
    return {shot: digest.hexdigest() for shot, digest in found.items()}


def _half(interval: list[float]) -> float:
    return (interval[1] - interval[0]) / 2


def _changed(path: Path, changes: dict[str, str]) -> str:
    text = path.read_text()
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    return text


def _recipe_text() -> str:
    text = _changed(
        ROOT / "profiles" / "recipes" / "bonding_lead.yaml",
        {
            "repeats: 32": "repeats: 4",
            "duration: 40 us": "duration: 10 us",
            "measures: [peak_to_peak, rms, band_b]": "measures: [rms]",
            "  - {role: target, condition: triple_core}\n": "",  # too near the floor to be equal
        },
    )
    return text[: text.index("limits:")]


def _bench_text(resources: dict[str, str]) -> str:
    changes = {
        f"TCPIP::127.0.0.1::{port}::SOCKET": resources[role]
        for role, port in (("scope", 45025), ("switch", 45026), ("ohmmeter", 45027))
    }
    path = ROOT / "profiles" / "benches" / "wind_tunnel_simulated.yaml"
    return _changed(path, {**changes, "50 ms": "1 ms"})


class Laboratory:
    """Makes stations, and knows the unbroken run of each dialect."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._starter, self._count = folder, Starter(), 0
        self._unbroken: dict[str, Whole] = {}

    @contextlib.contextmanager
    def station(self) -> Iterator[tuple[Station, Whole]]:
        """A fresh bench, with what its unbroken run looks like; the dialects take turns."""
        dialect = DIALECTS[self._count % len(DIALECTS)]
        if dialect not in self._unbroken:
            with self._fresh(dialect, f"unbroken_{dialect}") as unbroken:
                process = unbroken.start()
                code = process.ended()
                assert code in DONE, process.told()
                self._unbroken[dialect] = unbroken.whole()
        self._count += 1
        with self._fresh(dialect, str(self._count)) as station:
            yield station, self._unbroken[dialect]

    @contextlib.contextmanager
    def _fresh(self, dialect: str, name: str) -> Iterator[Station]:
        with SimulatedBench(seed=SEED, dialect=dialect) as simulated:
            simulated.circuit.set_condition("bare")  # as somebody left it
            yield Station(simulated, dialect, self._folder / name, self._starter)

    def close(self) -> None:
        """End the process that starts the others."""
        self._starter.close()


def finish(station: Station) -> None:
    """Resume once; a run whose file stands says that it is complete."""
    if station.spool is None and station.file is not None:
        return
    process = station.start()
    code = process.ended()
    assert code in DONE, process.told()


def kill_run(laboratory: Laboratory, campaign: Campaign, moments: random.Random) -> None:
    """Kill one run again and again, then let it end."""
    with laboratory.station() as (station, unbroken):
        kinds: list[str] = []
        while len(kinds) < LONGEST_CHAIN:
            process = station.start()
            _wait_for_some_moment(station, process, moments, len(unbroken.structure))
            process.send(signal.SIGKILL)
            code = process.ended()
            if code in DONE:
                break
            assert code == -signal.SIGKILL, process.told()
            there, phase = station.check(process.told())
            kinds.append(f"kill -9 while {phase}")
            row = campaign.row(kinds[-1])
            row.tried += 1
            row.announced += there
            row.ended["SIGKILL"] = row.ended.get("SIGKILL", 0) + 1
            if station.spool is None and station.file is not None:
                break
            if kinds.count(STORING) == 2:  # with every shot taken, all further kills would be such
                break
        finish_and_compare(station, unbroken, campaign, kinds)


def _wait_for_some_moment(
    station: Station, process: Started, moments: random.Random, shots: int
) -> None:
    """Wait until anywhere in the process's life; its end, where files change, counts for more."""
    aim = moments.random()
    if aim < 0.25:
        time.sleep(moments.uniform(0.0, 0.5))
    elif aim < 0.85:
        further = min(shots - len(station.seen), moments.choice((0, 1, 2)))
        process.wait_until(lambda told: told != "" and len(announced(told)) >= further)
        time.sleep(moments.uniform(0.0, 0.2))
    else:
        process.wait_until(lambda _told: station.is_storing)
        time.sleep(moments.uniform(0.0, 0.08))


def finish_and_compare(
    station: Station, unbroken: Whole, campaign: Campaign, kinds: list[str]
) -> None:
    """Let the run end, and note it in the row of every break that it had."""
    finish(station)
    equal = station.equals(unbroken)
    for row in map(campaign.row, kinds):
        row.resumed += 1
        row.equal += equal
        row.largest_apart = max(row.largest_apart, station.largest_apart)
    if kinds:
        campaign.codes += len(station.before_break or {})


FAULTS: dict[str, tuple[str, str, int]] = {
    "the disk is full (ENOSPC), from a write on": ("pwrite", "ENOSPC", 120),
    "the disk fails (EIO), from an fsync on": ("fsync", "EIO", 25),
    "the file system turns read-only (EROFS), from a write on": ("pwrite", "EROFS", 120),
}
"""Kind of break -> what fails, how, and the latest use at which it begins."""


def break_disk(
    laboratory: Laboratory, campaign: Campaign, moments: random.Random, kind: str
) -> None:
    """Let the disk fail from some moment on, then be well again."""
    call, name, latest = FAULTS[kind]
    with laboratory.station() as (station, unbroken):
        process = station.start(failing=[(call, name, moments.randrange(latest))])
        code = process.ended()
        if code in DONE:  # the moment never came
            assert station.equals(unbroken)
            return
        told = process.told()
        assert code == 4, told
        assert "Traceback" not in told
        assert "errno" in told
        _note(station, campaign, kind, told, code, unbroken)


def signal_run(
    laboratory: Laboratory, campaign: Campaign, moments: random.Random, name: str, times: int
) -> None:
    """Ask a run to stop, or to stop at once."""
    with laboratory.station() as (station, unbroken):
        process = station.start()
        shots = moments.randrange(3)
        process.wait_until(lambda told: told != "" and len(announced(told)) >= shots)
        time.sleep(moments.uniform(0.0, 0.15))
        for _ in range(times):
            process.send(signal.Signals[name])
            time.sleep(0.02)  # one signal that is sent twice at once arrives once
        code = process.ended()
        if code in DONE:
            assert station.equals(unbroken)
            return
        told = process.told()
        assert code == 5, told
        assert "Traceback" not in told
        kind = name if times == 1 else f"{name}, {times} times in a row"
        _note(station, campaign, kind, told, code, unbroken)


def _note(
    station: Station, campaign: Campaign, kind: str, told: str, code: int, unbroken: Whole
) -> None:
    row = campaign.row(kind)
    there, _ = station.check(told)
    row.tried += 1
    row.announced += there
    row.ended[f"exit {code}"] = row.ended.get(f"exit {code}", 0) + 1
    finish_and_compare(station, unbroken, campaign, [kind])


def kills(laboratory: Laboratory, campaign: Campaign, count: int, seed: int = 1) -> None:
    """Kill at least ``count`` processes."""
    moments = random.Random(seed)
    while campaign.kills < count:
        kill_run(laboratory, campaign, moments)


def faults(laboratory: Laboratory, campaign: Campaign, count: int, seed: int = 2) -> None:
    """Break about ``count`` runs by the disk and by signals, each kind in turn."""
    moments = random.Random(seed)
    kinds: list[Callable[[], None]] = [
        *(lambda k=kind: break_disk(laboratory, campaign, moments, k) for kind in FAULTS),
        lambda: signal_run(laboratory, campaign, moments, "SIGINT", 1),
        lambda: signal_run(laboratory, campaign, moments, "SIGTERM", 1),
        lambda: signal_run(laboratory, campaign, moments, "SIGTERM", 2),
    ]
    for number in range(count):
        kinds[number % len(kinds)]()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--faults", type=int, default=30)
    asked = parser.parse_args()
    campaign = Campaign()
    with tempfile.TemporaryDirectory() as folder:
        laboratory = Laboratory(Path(folder))
        try:
            kills(laboratory, campaign, asked.kills)
            faults(laboratory, campaign, asked.faults)
        finally:
            laboratory.close()
    sys.stdout.write(campaign.markdown() + "\n")


if __name__ == "__main__":
    main()
