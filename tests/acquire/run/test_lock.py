"""One run at a time on one bench, by a lock that dies with its holder."""

import os
import signal
import subprocess
import sys

import pytest

from acquire.errors import BusyError, ExitCode, RefusedError
from acquire.run.lock import BenchLock, lock_folder

HOLDER = """
import sys, time
from pathlib import Path
from acquire.run.lock import BenchLock
lock = BenchLock([sys.argv[2]], Path(sys.argv[1]))
lock.acquire("run 17")
print("held", flush=True)
time.sleep(60)
"""


def test_a_second_run_on_the_same_instrument_is_refused(tmp_path):
    first = BenchLock(["TCPIP::a::1::SOCKET", "GPIB::5"], tmp_path)
    second = BenchLock(["gpib::5", "TCPIP::b::1::SOCKET"], tmp_path)
    with first:
        with pytest.raises(BusyError, match=r"gpib::5 is in use by another run \(process \d+\)"):
            second.acquire()
        # what it could have is not held either
        with BenchLock(["TCPIP::b::1::SOCKET"], tmp_path):
            pass
    with second:
        pass


def test_the_lock_of_a_killed_process_is_free(tmp_path):
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path), "GPIB::5"], stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(BusyError, match=rf"process {holder.pid}, run 17") as raised:
            BenchLock(["GPIB::5"], tmp_path).acquire()
        assert raised.value.exit_code is ExitCode.BAD_INPUT
    finally:
        os.kill(holder.pid, signal.SIGKILL)
        holder.wait(10)
        holder.stdout.close()

    with BenchLock(["GPIB::5"], tmp_path):
        pass


def test_a_folder_that_cannot_be_used_is_named(tmp_path):
    with pytest.raises(RefusedError, match="bench lock cannot be opened"):
        BenchLock(["GPIB::5"], tmp_path / "missing").acquire()


def test_a_note_that_makes_no_sense_is_left_out(tmp_path):
    lock = BenchLock(["GPIB::5"], tmp_path)
    with lock:
        (file,) = tmp_path.iterdir()
        file.write_text("[]")
        with pytest.raises(BusyError, match="in use by another run; wait"):
            BenchLock(["GPIB::5"], tmp_path).acquire()


def test_a_symbolic_link_in_place_of_the_lock_is_not_followed(tmp_path):
    victim = tmp_path / "victim"
    victim.write_text("precious")
    locks = tmp_path / "locks"
    locks.mkdir()
    with BenchLock(["GPIB::5"], locks):
        (file,) = locks.iterdir()
    file.unlink()
    file.symlink_to(victim)

    with pytest.raises(RefusedError):
        BenchLock(["GPIB::5"], locks).acquire()
    assert victim.read_text() == "precious"


def test_locks_lie_where_every_user_may_write():
    assert os.access(lock_folder(), os.W_OK)
