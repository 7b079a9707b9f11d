"""Which floor shots a visit consists of."""

from datetime import UTC, datetime

import pytest

from acquire.run.floors import sets_of_ranges
from acquire.runfile.records import ChannelRecord, ShotEntry, ShotHeader, ShotQuality


def entry(order, step, role, **ranges):
    channels = tuple(
        ChannelRecord(q, n + 1, "V", r, 0.0, "DC", 50.0, "probe", 8, 0.02, 0.02)
        for n, (q, r) in enumerate(ranges.items())
    )
    header = ShotHeader(
        f"{order + 1:02d}_{role}_x", order, step, role, "x", 2, 10,
        datetime(2026, 1, 1, tzinfo=UTC), 1, channels,
    )  # fmt: skip
    return ShotEntry(header, ShotQuality(), 10, 1e-9)


BOTH = ("lead", "source")
SHOTS = (
    entry(0, 3, "reference", lead=2.0, source=4.0),
    entry(1, 6, "target", lead=0.1, source=4.0),
    entry(2, 9, "target", lead=0.5, source=4.0 * (1 + 1e-9)),
)


def test_every_range_gets_one_floor_and_the_quantity_with_fewer_stays_at_its_last():
    found = sets_of_ranges(BOTH, SHOTS, before_step=12, only_missing=False)

    assert found == [
        {"lead": 2.0, "source": 4.0},
        {"lead": 0.1, "source": 4.0},
        {"lead": 0.5, "source": 4.0},
    ]


def test_only_earlier_shots_count():
    found = sets_of_ranges(BOTH, SHOTS, before_step=5, only_missing=False)

    assert found == [{"lead": 2.0, "source": 4.0}]


def test_a_visit_for_what_is_missing_leaves_out_what_has_its_floor():
    floored = (*SHOTS, entry(3, 10, "floor", lead=2.0, source=4.0))

    found = sets_of_ranges(BOTH, floored, before_step=12, only_missing=True)

    assert found == [{"lead": 0.1, "source": 4.0}, {"lead": 0.5, "source": 4.0}]


def test_floors_of_the_same_visit_do_not_change_what_it_consists_of():
    # so that a visit that was broken off goes on where it stopped
    begun = (*SHOTS, entry(3, 12, "floor", lead=2.0, source=4.0))

    for missing in (True, False):
        assert len(sets_of_ranges(BOTH, begun, before_step=12, only_missing=missing)) == 3


def test_nothing_is_missing_where_every_range_has_its_floor():
    floored = (
        entry(0, 3, "reference", lead=2.0, source=4.0),
        entry(1, 5, "floor", lead=2.0, source=4.0),
    )

    assert sets_of_ranges(BOTH, floored, before_step=9, only_missing=True) == []
    assert len(sets_of_ranges(BOTH, floored, before_step=9, only_missing=False)) == 1


@pytest.mark.parametrize("missing", [True, False])
def test_no_shots_no_floor(missing):
    assert sets_of_ranges(BOTH, (), before_step=1, only_missing=missing) == []
