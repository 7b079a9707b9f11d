"""The table is readable at 56 to 160 columns, without colour, and says what the document says."""

import io

import pytest
from rich.console import Console

from acquire.cli import table


def rendered(document, width, color=False, **more):
    stream = io.StringIO()
    console = Console(
        file=stream, width=width, force_terminal=color, highlight=False, legacy_windows=False
    )
    console.print(table.render(document, width=width, **more))
    return stream.getvalue()


@pytest.mark.parametrize("width", [56, 60, 75, 76, 80, 100, 120, 160])
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


@pytest.mark.parametrize("width", [56, 80, 120])
def test_every_result_names_its_method_and_the_two_largest_contributions(document, width):
    text = " ".join(rendered(document, width).split())
    _, _, made = text.partition("How each number of lead_current was made")

    for result in ("damped_choke, peak_to_peak", "damped_choke, rms"):
        _, _, row = made.partition(result)
        assert row.startswith((" coherent [1] ", ": coherent [1]; "))
        assert row.index("0.21 (A) repeatability") < row.index("0.12 (B) pickup repeatability")
    for result in ("triple_core, peak_to_peak", "air_coil, peak_to_peak"):
        assert "none known" in made.partition(result)[2][:60]
    assert "source drift" not in text


def test_a_reason_that_several_results_share_is_printed_once(document):
    document["results"][1]["why_method"] = "coherent: another reason"
    text = " ".join(rendered(document, 120).split())

    assert text.count("the floor is coherent with the trigger.") == 1
    assert "[1] coherent: the floor is coherent with the trigger." in text
    assert "[2] coherent: another reason." in text
    assert "triple_core, peak_to_peak coherent [2]" in text
    assert "air_coil, peak_to_peak coherent [1]" in text


def test_two_quantities_are_told_apart_below_the_tables(document):
    document["results"][3]["quantity"] = "strap_current"
    text = " ".join(rendered(document, 120).split())

    assert "How each number was made" in text
    assert "damped_choke, strap_current, rms coherent [1]" in text
    assert "damped_choke, lead_current, peak_to_peak coherent [1]" in text


def test_the_head_says_whose_result_it_is(document):
    document["run"] |= {
        "state": "complete",
        "recipe": "lead.yaml",
        "recipe_sha256": "0123456789abcdef" * 4,
        "bench": "tunnel.yaml",
        "bench_sha256": "fedcba9876543210" * 4,
        "software": "floorshot 0.1.0",
        "started": "2026-11-25T23:58:00+00:00",
        "ended": "2026-11-26T01:03:00+01:00",
    }
    head = rendered(document, 80, label="again_02").partition("──")[0]

    for words in (
        "A lead",
        "run        20261125T120000Z-abcd, complete",
        "when       2026-11-25 23:58:00 to 2026-11-26 00:03:00 UTC",
        "site       A tunnel",
        "recipe     lead.yaml (SHA-256 0123456789ab)",
        "bench      tunnel.yaml (SHA-256 fedcba987654)",
        "program    floorshot 0.1.0",
        "result     again_02",
        "intervals  at 95 % coverage",
    ):
        assert words in head


def test_what_was_measured_with_stands_before_the_verdict(document):
    text = rendered(document, 80, equipment=[("scope", "MAKER,MODEL,1,2"), ("records", "32")])

    assert text.index("Measured with\n  scope    MAKER,MODEL,1,2") < text.index("  records  32")
    assert text.index("  records  32") < text.index("Verdict of the run")
    assert "Measured with" not in rendered(document, 80)


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
    document["limits"][0]["reason"] = "attenuation 36.9 to 38.2 dB against at least 30 dB"
    text = " ".join(rendered(document, 120).split())
    assert "PASS: damped_choke, lead_current, peak_to_peak: attenuation 36.9 to 38.2 dB" in text
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
