"""Shots stand side by side, each remark once, and what a shot has not is a dash."""

import pytest

from acquire.analysis.pulse import PulseFacts
from acquire.cli import console, invoke
from acquire.run import views
from acquire.run.views import ShotFacts

LOWER_BOUND = "the burst rate is a lower bound"


def facts_of_shot(shot, rate_source="trigger times", burst_rate=4e3, **more):
    facts = PulseFacts(
        unit="A", peak=1.28, peak_to_peak=2.53, rms_record=0.2156, crest_factor=7.8, bursts=1.0,
        burst_duration=11e-6, burst_rate=burst_rate, rate_source=rate_source, duty_cycle=0.0441,
        rms_burst_period=0.0862, rise_time=None, rise_method=None, rings=(), **more,
    )  # fmt: skip
    _, _, condition = shot.split("_", 2)
    return ShotFacts(shot, condition, "lead_current", facts)


@pytest.fixture
def shown(monkeypatch, tmp_path, capsys):
    """Show these facts at this width; returns the lines."""
    path = tmp_path / "a.h5"
    path.touch()

    def show(width, *found):
        monkeypatch.setenv("COLUMNS", str(width))
        monkeypatch.setattr(views, "facts_of", lambda *_: list(found))
        assert invoke(["pulse", str(path)]) == 0
        return capsys.readouterr().out.splitlines()

    return show


@pytest.fixture
def four():
    return [
        facts_of_shot("01_reference_bare", remarks=(LOWER_BOUND,)),
        facts_of_shot("02_target_choke", "within the record", 4.95e6),
        facts_of_shot("03_target_core", "unknown", None),
        facts_of_shot("04_reference_bare", remarks=(LOWER_BOUND,)),
    ]


def test_the_shots_stand_side_by_side(shown, four):
    rows = {line[:28].strip(): line[28:].split() for line in shown(console.PLAIN_WIDTH, *four)}

    assert rows["shot"] == ["01", "02", "03", "04"]
    assert rows["condition"] == ["bare", "choke", "core", "bare"]
    assert rows["peak"] == ["1.28", "A"] * 4
    assert rows["crest factor"] == ["7.80"] * 4
    assert rows["bursts in a record"] == ["1"] * 4
    assert rows["burst rate"] == ["4.00", "kHz", "4.95", "MHz", "-", "4.00", "kHz"]
    assert " ".join(rows["from"]) == "trigger times within the record unknown trigger times"
    assert rows["rise time 10 to 90 %"] == ["-"] * 4


@pytest.mark.parametrize("width", [56, 60, 80, 100, 160])
def test_nothing_is_wider_than_the_screen_and_no_shot_is_lost(width, shown, four):
    lines = shown(width, *four)

    assert max(map(len, lines)) <= width
    numbers = [word for line in lines if line.startswith("shot  ") for word in line.split()[1:]]
    assert numbers == ["01", "02", "03", "04"]


def test_a_remark_is_said_once_with_its_shots(shown, four):
    remarks = [line for line in shown(100, *four) if line.startswith("- ")]

    assert remarks == [f"- shot 01, 04: {LOWER_BOUND}"]
