"""The table is readable at 80 and 120 columns, without colour, and says what the document says."""

import io

import pytest
from rich.console import Console

from acquire.cli import table


def rendered(document, width, color=False):
    stream = io.StringIO()
    console = Console(
        file=stream, width=width, force_terminal=color, highlight=False, legacy_windows=False
    )
    console.print(table.render(document, width=width))
    return stream.getvalue()


@pytest.mark.parametrize("width", [80, 100, 120, 160])
def test_nothing_is_cut_or_wider_than_the_screen(document, width):
    text = rendered(document, width)

    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text
    for cell in ("damped_choke", "2.346 A", "31.15 mA", "12.30 mA", "37.54 dB", "75.3 : 1"):
        assert cell in text
    assert ("31.20 mA" in text) == (width >= table.WIDE)
    for cell in ("36.90 to 38.20 dB", "at least 52.3 dB", "> 415 : 1", "resolved", "floor-limited"):
        assert cell in text
    for cell in ("invalid", "pass", "undecided", "no limit"):
        assert cell in text


def test_each_row_of_a_wide_table_is_one_line(document):
    (line,) = [
        line
        for line in rendered(document, 120).splitlines()
        if line.startswith("damped_choke") and "2.346 A" in line and "31.15" in line
    ]

    assert " ".join(line.split()) == (
        "damped_choke 2.346 A 31.20 mA 12.30 mA 31.15 mA 75.3 : 1 37.54 dB, 36.90 to 38.20 dB "
        "resolved pass"
    )


def test_without_colour_there_is_no_control_code_and_with_it_the_same_words(document):
    plain, coloured = rendered(document, 120), rendered(document, 120, color=True)

    assert "\x1b" not in plain
    assert "\x1b" in coloured
    for word in ("pass", "undecided", "floor-limited", "invalid"):
        assert plain.count(word) == coloured.count(word)


def test_the_method_and_the_two_largest_contributions_stand_below(document):
    text = " ".join(rendered(document, 120).split())

    assert (
        "damped_choke, lead_current, peak_to_peak: correction coherent: the floor is coherent "
        "with the trigger. Interval mostly from repeatability (0.21 dB, type A) and pickup "
        "repeatability (0.12 dB, type B)."
    ) in text
    assert "source drift" not in text


def test_reasons_drift_limits_and_remarks_are_told(document):
    text = " ".join(rendered(document, 120).split())

    assert "floor-limited: the target is not distinguishable from the floor." in text
    assert "invalid: 3 samples of 04_target_air_coil are clipped." in text
    assert "lead_current, peak_to_peak: -0.12 dB, within the recipe's allowance." in text
    assert "PASS: damped_choke, lead_current, peak_to_peak: attenuation at least 30 dB: the" in text
    assert (
        "UNDECIDED: triple_core, lead_current, peak_to_peak: attenuation at least 60 dB: only"
        in text
    )
    assert "one remark" in text
    assert text.endswith("Verdict of the run: undecided")


def test_a_heading_names_quantity_and_measure_once(document):
    text = rendered(document, 80)

    assert text.count(" lead_current, peak_to_peak ──") == 1
    assert text.count(" lead_current, rms ──") == 1


def test_a_run_without_limits_has_no_verdict(document):
    text = rendered({**document, "limits": [], "verdict": None}, 80)

    assert "there is no verdict" in text


def test_two_limits_on_one_row_show_the_worse(document):
    first = document["limits"][0]
    document["limits"].append({**first, "attenuation_at_least": 45.0, "verdict": "fail"})

    (line,) = [
        line
        for line in rendered(document, 120).splitlines()
        if line.startswith("damped_choke") and "31.15 mA" in line
    ]

    assert line.rstrip().endswith("fail")
