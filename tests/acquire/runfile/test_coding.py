from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from acquire.errors import DamagedFileError
from acquire.runfile.coding import (
    compact,
    from_json,
    moment,
    plain,
    read_checked,
    stored,
    to_json,
    utc,
    write_checked,
)
from acquire.runfile.records import RunHeader, ShotHeader


def test_records_survive_the_way_to_json_and_back(maker):
    shot = maker.shot("00_reference_bare")

    assert from_json(RunHeader, to_json(maker.header()), "x") == maker.header()
    assert from_json(ShotHeader, to_json(shot), "x") == shot


def test_what_an_instrument_sends_that_is_no_character_does_not_stop_a_run(maker):
    odd = maker.shot("00_reference_bare", settings={"idn": "a\udc80b", "µ": "°\x00"})

    back = from_json(ShotHeader, to_json(odd), "x")

    assert back.settings == {"idn": "a?b", "µ": "°\x00"}
    assert stored("a\x00b") == "a␀b"  # HDF5 attributes cannot hold NUL


@pytest.mark.parametrize(
    "text", ["", "[", "{}", "[" * 100_000, '{"run_id": 1}', "null", '"\\ud800"']
)
def test_a_text_that_is_no_record_is_one_clear_message(text):
    with pytest.raises(DamagedFileError) as caught:
        from_json(RunHeader, text, "header.json")

    assert str(caught.value).startswith("header.json: ")
    assert len(str(caught.value)) < 300


def test_values_that_json_lacks_become_null_or_text():
    value = {"a": float("inf"), "b": (1, np.float64(2.5)), "c": datetime(2025, 1, 1, tzinfo=UTC)}

    assert plain(value) == {"a": None, "b": [1, 2.5], "c": "2025-01-01T00:00:00.000000Z"}
    assert compact({"µ": Path("x")}) == '{"µ":"x"}'


def test_times_are_kept_in_utc():
    local = datetime(2025, 3, 4, 11, 15, 0, 5, timezone(timedelta(hours=2)))

    assert utc(local) == "2025-03-04T09:15:00.000005Z"
    assert moment(utc(local), "x") == local
    with pytest.raises(DamagedFileError, match="x: 'noon' is not a time"):
        moment("noon", "x")


def test_any_changed_byte_of_a_checked_file_is_found(tmp_path):
    path = tmp_path / "header.json"
    write_checked(path, "header", '{"a": "µ"}', "writing")
    good = path.read_bytes()

    assert read_checked(path, "header") == '{"a": "µ"}'
    for position in range(len(good)):
        path.write_bytes(good[:position] + bytes([good[position] ^ 0x10]) + good[position + 1 :])
        with pytest.raises(DamagedFileError, match=r"header\.json: "):
            read_checked(path, "header")


def test_a_checked_file_of_a_newer_version_says_so(tmp_path):
    path = tmp_path / "header.json"
    path.write_text("floorshot-spool 2 header 00\n{}")

    with pytest.raises(DamagedFileError, match="format version 2; this program reads version 1"):
        read_checked(path, "header")
