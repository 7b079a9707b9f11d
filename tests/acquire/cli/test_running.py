"""A run file that cannot be read back is told, and keeps no result from the screen."""

import pytest

from acquire.cli.running import equipment_in


@pytest.mark.parametrize("content", [b"", b"no HDF5 at all" * 100])
def test_a_damaged_run_file_is_told_and_the_result_goes_on(content, tmp_path, capsys):
    path = tmp_path / "run.h5"
    path.write_bytes(content)

    assert equipment_in(path) == []
    assert f"'floorshot verify {path}' says what is damaged" in capsys.readouterr().err


def test_a_run_without_a_file_has_nothing_to_show():
    assert equipment_in(None) == []
