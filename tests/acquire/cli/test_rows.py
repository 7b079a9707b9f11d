"""The rows hold the document's own numbers, one row a result; what is unknown is empty."""

import csv
import io

from acquire.cli.rows import COLUMNS, result_rows
from acquire.cli.views_parts import to_csv


def test_a_spreadsheet_reads_the_numbers_back(document):
    text = to_csv(COLUMNS, result_rows(document))
    rows = list(csv.DictReader(io.StringIO(text)))

    assert len(rows) == len(document["results"])
    for row, result in zip(rows, document["results"], strict=True):
        assert row["run"] == "20261125T120000Z-abcd"
        assert row["unit"] == "A"
        for name in ("reference", "observed", "floor", "corrected"):
            value = result[name]["value"]
            assert row[name] == ("" if value is None else repr(value))
        found = result["attenuation"]
        ends = (row["interval low or at least [dB]"], row["interval high [dB]"])
        for cell, value in zip(
            (row["attenuation [dB]"], *ends), (found["db"], *found["interval_db"]), strict=True
        ):
            assert (float(cell) if cell else None) == value
        assert (row["state"], row["reason"]) == (found["state"], found["reason"])
    assert [row["verdict"] for row in rows] == ["pass", "undecided", "no limit", "no limit"]
