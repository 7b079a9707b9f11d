import h5py
import numpy as np
import pytest

from acquire.errors import BadInputError
from acquire.runfile import Event
from acquire.runfile.tables import parse_document, write_events, write_result


@pytest.fixture
def file(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        yield file


def test_thousands_of_events_are_written_in_order_and_in_pieces(maker, file):
    checked = []
    events = [Event(f"e{i}", maker.start, {"i": i, "t": "µ" * (i % 7)}) for i in range(3000)]
    write_events(file, lambda: iter(events), lambda: checked.append(1))

    table = file["events"][:]
    assert [name.decode() for name in table["name"]] == [e.name for e in events]
    assert table["data"][6].decode() == '{"i":6,"t":"µµµµµµ"}'
    assert table["at"][0] == b"2025-03-04T09:15:00.000000Z"
    assert len(checked) == 2


def test_a_run_without_events_has_an_empty_table(file):
    write_events(file, lambda: iter([]), lambda: None)

    assert file["events"].shape == (0,)


def test_a_document_with_gaps_still_gives_tables(maker, file):
    text = (
        '{"format": "floorshot-result", "results": [{"condition": "x"}, 5, {"condition": "yy", '
        '"attenuation": {"db": 3, "interval_db": [1, 2, 3]}, "by_method": [], "budget": null}],'
        '"limits": [{"limit": {"condition": "x", "attenuation_at_least": 20}, "verdict": "fail"}]}'
    )
    write_result(file, text, made=maker.start, software="x")

    table = file["attenuation"][:]
    assert table["condition"].tolist() == [b"x", b"yy"]
    assert np.isnan(table["db"][0])
    assert table["db"][1] == 3
    assert np.isnan(table["interval_low_db"]).all()
    assert file["limits"][0]["attenuation_at_least_db"] == 20
    assert file["limits"][0]["condition"] == b"x"
    assert "budget" not in file
    assert file.attrs["json"] == text


def test_a_very_long_text_is_cut_in_the_table_at_a_character_and_whole_in_the_document(maker, file):
    text = '{"format": "floorshot-result", "results": [{"condition": "x%s"}]}' % ("µ" * 5000)
    write_result(file, text, made=maker.start, software="x")

    assert file["attenuation"][0]["condition"].decode() == "x" + "µ" * 999
    assert file.attrs["json"] == text


@pytest.mark.parametrize("text", ["", "5", "null", "[]", '{"format": "x"}', "[" * 10_000])
def test_what_is_no_document_is_refused(text):
    with pytest.raises(BadInputError, match="the result document"):
        parse_document(text)
