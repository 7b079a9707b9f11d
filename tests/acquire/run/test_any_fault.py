"""A run as a state machine: faults of every kind in any order, kills and full disks among them.

After every session, however it ended: no announced shot is gone or changed, the spool verifies, and
the protective conductor never was open. Once the faults have ceased, ``resume`` completes the run.
More by ``FLOORSHOT_MACHINES=500 pytest --timeout=0 <this file>``.

A kill is simulated by what it leaves: the folder and the relays as they are before some write,
sync or rename. What the session does after that moment is thrown away. (Real processes are killed
in tests/crash.)
"""

import errno
import functools
import hashlib
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

from acquire.errors import ExitCode, InstrumentFault, Interrupted, RefusedError, StorageError
from acquire.run.resume import resume
from acquire.run.runner import run
from acquire.run.stop import StopFlag
from acquire.runfile import RunFile, verify
from drivers.errors import AnswerError, ComplaintError, LinkLostError, TimedOutError
from drivers.scope import AcquisitionStatus
from drivers.trace import Clipping

MACHINES = int(os.environ.get("FLOORSHOT_MACHINES", "8"))
DONE = {ExitCode.OK, ExitCode.LIMIT_NOT_MET, ExitCode.UNDECIDED}
PATHS = {101, 102, 103}
USES = 950
"""About how many of the calls below a whole run makes."""
WRITES = ("pwrite", "fsync", "ftruncate", "link", "unlink", "rename", "replace", "rmdir")
SHOTS = [
    ("01_reference_bare", "reference", "bare"),
    ("02_target_choke", "target", "choke"),
    ("03_target_core", "target", "core"),
    ("04_reference_bare", "reference", "bare"),
]


def _clipped():
    return lambda trace: replace(trace, clipping=Clipping("end codes", high=3))


FAULTS = {
    "link lost in a transfer": ("fetch", LinkLostError("gone")),
    "link lost at arming": ("initiate", LinkLostError("gone")),
    "link lost while setting up": ("configure_channel", LinkLostError("gone")),
    "link does not come back": ("scope.recover", LinkLostError("gone")),
    "garbage in a transfer": ("fetch", AnswerError("no block")),
    "complaint": ("configure_edge_trigger", ComplaintError("-222")),
    "no trigger": ("wait_complete", lambda: AcquisitionStatus.WAITING),
    "clipped": ("fetch", _clipped),
    "relay unit silent": ("closed_channels", TimedOutError("silence")),
    "relay unit lost": ("open_channels", LinkLostError("gone")),
    "relay stuck open": ("close_channels", lambda: set()),
    "ohmmeter misanswers": ("resistance_4_wire", AnswerError("no number")),
}
TROUBLES = st.one_of(
    st.tuples(
        st.just("fault"), st.sampled_from(sorted(FAULTS)), st.integers(0, 60), st.integers(1, 4)
    ),
    st.tuples(
        st.just("bad_disk"),
        st.sampled_from(["ENOSPC", "EIO", "EROFS"]),
        st.sampled_from([("pwrite", "ftruncate", "link"), ("fsync",), ("replace", "rename")]),
        st.integers(0, USES),
    ),
    st.tuples(st.just("kill"), st.integers(1, USES)),
    st.tuples(st.just("stop"), st.integers(1, 60)),
)
"""What goes wrong in one session, after how many chances for it."""


class _Disk:
    """The calls by which a run changes its folder; any may fail, or be the last before a kill."""

    def __init__(self, patch):
        self.failing, self.kill_at, self.on_kill = None, None, None
        self.uses = 0
        for name in WRITES:
            patch.setattr(os, name, functools.partial(self._call, name, getattr(os, name)))

    def _call(self, name, real, *arguments, **options):
        self.uses += 1
        if self.uses == self.kill_at:
            self.on_kill()
        if self.failing is not None:
            names, number, moment = self.failing
            if name in names and self.uses >= moment:
                raise OSError(number, os.strerror(number))
        return real(*arguments, **options)

    def reset(self):
        self.failing = self.kill_at = self.on_kill = None
        self.uses = 0


def _machine(new_lab, recipe, bench, folder, patch):
    disk = _Disk(patch)
    numbers = iter(range(1 << 30))
    ends = set()

    class Run(RuleBasedStateMachine):
        def __init__(self):
            super().__init__()
            disk.reset()
            self.lab = new_lab()
            self.base = folder / str(next(numbers))
            self.output, self.image = self.base / "runs", self.base / "image"
            self.output.mkdir(parents=True)
            self.committed = {}
            self.dead = False
            self.stop, self.stop_at = StopFlag(), None

        @rule(troubles=st.lists(TROUBLES, min_size=1, max_size=4))
        def a_session_in_trouble(self, troubles):
            if self._file() is not None:
                return  # the run is complete: nothing is left to go wrong
            for kind, *details in troubles:
                getattr(self, f"_{kind}")(*details)
            outcome = self._session()
            self._trouble_ceases()
            if self.dead:
                self._become_the_image()
            elif outcome is not None:
                ends.add(outcome.exit_code)
            self._check()

        def _fault(self, name, after, times):
            call, what = FAULTS[name]
            for _ in range(times):
                self.lab.fail(call, what, after=after)

        def _bad_disk(self, name, calls, moment):
            disk.failing = (calls, getattr(errno, name), moment)

        def _kill(self, moment):
            disk.kill_at, disk.on_kill = moment, self._die

        def _stop(self, moment):
            self.stop_at = moment

        def _trouble_ceases(self):
            disk.reset()
            self.lab.failures.clear()
            self.stop, self.stop_at = StopFlag(), None

        def teardown(self):
            self._trouble_ceases()
            if not self._file():
                outcome = self._session()
                assert outcome is not None
                assert outcome.exit_code in DONE, outcome.reason
            self._check()
            file = self._file()
            assert [p.name for p in self.output.iterdir() if p.suffix != ".spool"] == [file.name]
            with RunFile.open(file, trusted=True) as opened:
                shots = opened.shots()
            assert [(s.name, s.role, s.condition) for s in shots if s.role != "floor"] == SHOTS
            measured = {tuple(s.ranges.items()) for s in shots if s.role == "floor"}
            for quantity in shots[0].ranges:
                floors = {dict(ranges)[quantity] for ranges in measured}
                assert {s.ranges[quantity] for s in shots} == floors
            shutil.rmtree(self.base)

        def _session(self):
            options = {
                "on_event": self._on_event, "stop": self.stop, "openers": self.lab.openers,
            }  # fmt: skip
            spool = self._spool()
            try:
                if spool is not None:
                    return resume(spool, bench=bench, **options)
                if self._file():
                    return None
                for left in self.output.glob("*.spool"):  # killed before it was a run
                    shutil.rmtree(left)
                return run(recipe, bench, self.output, **options)
            except (InstrumentFault, Interrupted, RefusedError, StorageError) as error:
                if isinstance(error, RefusedError) and disk.failing is None:
                    raise
                return None  # ended before the first shot could be stored

        def _on_event(self, event):
            self.lab.assert_closed()
            if self.stop_at is not None:
                self.stop_at -= 1
                if self.stop_at == 0:
                    self.stop.request("a test")
            if event.name == "shot_stored" and not self.dead:
                name = event.data["shot"]
                assert name not in self.committed, "a stored shot was taken again"
                self.committed[name] = _digest(self._spool() / "shots" / f"{name}.h5")

        def _die(self):
            shutil.copytree(self.output, self.image)
            self.left_closed = set(self.lab.closed)
            self.dead = True

        def _become_the_image(self):
            shutil.rmtree(self.output)
            self.image.rename(self.output)
            self.lab.closed = self.left_closed
            self.dead = False
            ends.add("killed")

        def _spool(self):
            found = [s for s in self.output.glob("*.spool") if (s / "header.json").exists()]
            return found[0] if found else None

        def _file(self):
            return next(iter(self.output.glob("*.h5")), None)

        def _check(self):
            self.lab.assert_closed()
            spool, file = self._spool(), self._file()
            if file is not None:
                assert verify(file) == []
                with RunFile.open(file, trusted=True) as opened:
                    assert set(self.committed) <= {s.name for s in opened.shots()}
                return
            if spool is None:
                assert not self.committed
                return
            assert verify(spool) == []
            for name, digest in self.committed.items():
                assert _digest(spool / "shots" / f"{name}.h5") == digest, name

    return Run, ends


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture
def new_lab(lab):
    """Make laboratories that remember whether the protective conductor was ever open."""

    class Watched(type(lab)):
        opened_path = False

        @property
        def closed(self):
            return self._closed

        @closed.setter
        def closed(self, relays):
            self._closed = set(relays)
            self.opened_path |= not self._closed & PATHS

        def assert_closed(self):
            assert not self.opened_path, "the protective conductor was open"

    return Watched


@pytest.mark.timeout(0 if "FLOORSHOT_MACHINES" in os.environ else 240)
def test_no_order_of_faults_loses_a_shot_or_opens_the_conductor(new_lab, recipe, bench, tmp_path):
    with pytest.MonkeyPatch.context() as patch:
        machine, ends = _machine(new_lab, recipe, bench, tmp_path, patch)
        run_state_machine_as_test(
            machine,
            settings=settings(
                max_examples=MACHINES,
                stateful_step_count=5,
                deadline=None,
                derandomize="FLOORSHOT_MACHINES" not in os.environ,
                # a session takes half a second: the first sequence that fails is shown as it is
                phases=[Phase.explicit, Phase.reuse, Phase.generate],
                report_multiple_bugs=False,
                suppress_health_check=list(HealthCheck),
            ),
        )

    assert "killed" in ends
    assert ExitCode.FAULT in ends
