"""The state folder: its locks, its names, and where it may lie."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from acquire.daemon.folder import HeldLock, StateFolder, file_system
from acquire.errors import BadInputError, RefusedError

MOUNTS = """\
22 1 254:0 / / rw,relatime - ext4 /dev/vda rw
30 22 0:40 / /mnt/share rw - nfs4 server:/export rw
31 22 0:41 / /mnt/share/local rw - tmpfs tmpfs rw
32 22 0:42 / /mnt/with\\040space rw - cifs //server/x rw
"""


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/var/lib", "ext4"),
        ("/mnt/share/runs", "nfs4"),
        ("/mnt/share/local/runs", "tmpfs"),
        ("/mnt/sharepoint", "ext4"),
        ("/mnt/with space/runs", "cifs"),
    ],
)
def test_the_file_system_is_that_of_the_longest_mount(tmp_path, path, kind):
    mounts = tmp_path / "mountinfo"
    mounts.write_text(MOUNTS)
    assert file_system(Path(path), mounts) == kind


def test_a_network_file_system_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("acquire.daemon.folder.file_system", lambda _path: "nfs4")
    with pytest.raises(RefusedError, match=r"network file system \(nfs4\)"):
        StateFolder(tmp_path / "state").prepare()


def test_the_folder_is_for_its_user_only(folder):
    assert {path.stat().st_mode & 0o777 for path in (folder.root, folder.runs)} == {0o700}


def test_a_folder_that_cannot_be_made_is_said(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(RefusedError, match="cannot be made"):
        StateFolder(tmp_path / "file" / "state").prepare()


def test_a_missing_folder_says_how_one_is_made(tmp_path):
    with pytest.raises(RefusedError, match="floorshot serve --state"):
        StateFolder(tmp_path / "none").queue()


@pytest.mark.parametrize("name", ["../bonding", "/etc/passwd", "a/b", "", ".hidden", "x" * 200])
def test_a_recipe_name_never_becomes_a_path(folder, name):
    (folder.root / "bonding.yaml").write_text("x")
    with pytest.raises(BadInputError, match="no recipe of that name"):
        folder.recipe(name)


def test_a_recipe_is_found_by_its_name_with_or_without_ending(folder):
    (folder.recipes / "night.yaml").write_text("x")
    assert folder.recipe("night") == folder.recipe("night.yaml")


def test_an_unknown_bench_names_the_nearest(folder):
    (folder.benches / "tunnel.yaml").write_text("x")
    with pytest.raises(BadInputError, match="did you mean 'tunnel'"):
        folder.bench("tunel")


def test_every_mistake_of_the_configuration_is_shown_with_its_line(folder):
    (folder.root / "daemon.yaml").write_text("gate_timeout: 5\non_start: maybe\nshell: rm\n")
    with pytest.raises(BadInputError) as caught:
        _ = folder.config
    assert [problem.line for problem in caught.value.problems] == [1, 2, 3]


def test_a_lock_dies_with_its_holder(tmp_path):
    path = tmp_path / "one.lock"
    code = (
        "import sys; from pathlib import Path; from acquire.daemon.folder import HeldLock;"
        "lock = HeldLock.take(Path(sys.argv[1])); print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout.readline() == b"held\n"
        assert HeldLock.take(path) is None
        holder.kill()
        holder.wait(10)
    lock = HeldLock.take(path)
    assert lock is not None
    lock.release()
