"""A run file is untrusted input. The seal keeps chance away from HDF5; here somebody re-sealed it."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
COUNT = int(os.environ.get("FLOORSHOT_FUZZ", "150"))
"""Files for each of two processes; more by ``FLOORSHOT_FUZZ=5000``."""


@pytest.mark.parametrize("seed", [1, 1_000_001])
def test_a_broken_and_resealed_file_gives_an_answer_or_one_clear_error(run_file, tmp_path, seed):
    script = Path(__file__).with_name("fuzz_reader.py")
    done = subprocess.run(
        [sys.executable, script, run_file, tmp_path, str(seed), str(COUNT)],
        capture_output=True, check=False, timeout=60 + COUNT, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip

    assert done.returncode == 0, done.stderr.decode()[-2000:]
    read, refused = map(int, done.stdout.split())
    assert read + refused == COUNT
    assert refused > COUNT // 20
