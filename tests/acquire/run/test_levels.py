"""A shot that does not look like what it is said to be."""

from datetime import UTC, datetime

from acquire.run.levels import LevelSeen, levels_of, suspicions
from acquire.runfile.records import Event

OPENING = LevelSeen("01_reference_bare", "reference", "bare", {"lead": 1.0, "source": 3.0})
TARGET = LevelSeen("02_target_choke", "target", "choke", {"lead": 0.05, "source": 3.0})


def suspects(shot, earlier, allowance=1.0):
    return list(suspicions(shot, earlier, ["lead"], allowance))


def closing(lead):
    return LevelSeen("03_reference_bare", "reference", "bare", {"lead": lead, "source": 3.0})


def test_a_reference_at_the_level_of_a_target_names_the_target():
    (found,) = suspects(closing(0.052), [OPENING, TARGET])

    assert found.against == "01_reference_bare"
    assert round(found.db, 1) == -25.7
    assert "looks like 02_target_choke" in found.text


def test_a_reference_far_off_without_a_twin_blames_source_or_condition():
    (found,) = suspects(closing(0.4), [OPENING, TARGET])

    assert "the source changed" in found.text


def test_a_small_drift_is_left_to_the_drift_allowance():
    assert suspects(closing(0.8), [OPENING, TARGET]) == []
    assert suspects(closing(0.5), [OPENING], allowance=4.0) == []


def test_a_target_as_high_as_the_reference_may_not_be_in_circuit():
    stuck = LevelSeen("02_target_choke", "target", "choke", {"lead": 0.99})

    (found,) = suspects(stuck, [OPENING])

    assert "is not in circuit" in found.text
    assert suspects(TARGET, [OPENING]) == []


def test_nothing_is_said_without_a_reference_or_without_a_level():
    assert suspects(TARGET, []) == []
    silent = LevelSeen("04_reference_bare", "reference", "bare", {"lead": 0.0})
    assert suspects(silent, [OPENING]) == []


def test_levels_come_back_from_an_event_log():
    data = {"shot": "01_reference_bare", "role": "reference", "condition": "bare",
            "peaks": {"lead": 1.0, "source": 3.0}}  # fmt: skip
    at = datetime(2026, 1, 1, tzinfo=UTC)

    assert levels_of([Event("caution", at, {}), Event("shot_stored", at, data)]) == [OPENING]
