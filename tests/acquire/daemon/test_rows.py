"""A result document as a flat table."""

from __future__ import annotations

import csv
import io
import json

from acquire.daemon.rows import as_csv, rows


def test_every_value_of_a_stored_result_is_in_its_row_or_in_a_table_of_its_own(measured):
    queue = measured.queue()
    document = json.loads(queue.run(1).document)
    queue.close()
    table = rows(document)

    for row, result in zip(table, document["results"], strict=True):
        assert all(not isinstance(value, dict | list) for value in row.values())
        attenuation = result["attenuation"]
        low, high = attenuation["interval_db"]
        assert (row["attenuation_interval_db_low"], row["attenuation_interval_db_high"]) == (
            low,
            high,
        )
        assert row["attenuation_state"] == attenuation["state"]
        for level in ("reference", "observed", "floor", "corrected"):
            assert row[f"{level}_value"] == result[level]["value"]
            assert row[f"{level}_unit"] == result[level]["unit"]


def test_the_csv_reads_back_with_commas_quotes_and_lines(tmp_path):
    document = {"results": [{"condition": 'a "quoted", one\nin two lines', "db": None, "n": 0.1}]}

    (row,) = csv.DictReader(io.StringIO(as_csv(document), newline=""))

    assert row == {"condition": 'a "quoted", one\nin two lines', "db": "", "n": "0.1"}


def test_no_results_are_a_table_with_a_header():
    assert as_csv({"results": []}).strip() == "condition,quantity,measure"
