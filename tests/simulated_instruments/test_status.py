"""Error numbers and status bits: SCPI-99 volume 2 ch. 21.8 and IEEE 488.2 ch. 11."""

import pytest

from simulated_instruments.status import Status, event_bit


@pytest.mark.parametrize(
    ("code", "text"),
    [  # SCPI-99 21.8, as printed in instrument manuals (Agilent 8712ET ch. 13)
        (-102, "Syntax error"),
        (-109, "Missing parameter"),
        (-113, "Undefined header"),
        (-222, "Data out of range"),
        (-350, "Queue overflow"),
        (-410, "Query INTERRUPTED"),
        (-420, "Query UNTERMINATED"),
    ],
)
def test_numbers_have_the_standard_texts(code, text):
    status = Status()
    status.push(code)
    assert status.pop() == (code, text)


@pytest.mark.parametrize(
    ("code", "weight"),
    [  # IEEE 488.2 11.5.1: standard event status register
        (-113, 32),
        (-222, 16),
        (-350, 8),
        (2244, 8),
        (-410, 4),
    ],
)
def test_class_of_an_error_sets_its_bit(code, weight):
    assert event_bit(code) == weight
    status = Status()
    status.read_event_status()
    status.push(code)
    assert status.read_event_status() == weight
    assert status.read_event_status() == 0, "reading clears"


def test_power_on_bit_is_set_at_first():
    assert Status().read_event_status() == 128


def test_queue_is_first_in_first_out_and_ends_with_no_error():
    status = Status()
    status.push(-113)
    status.push(-222)
    assert [status.pop()[0] for _ in range(3)] == [-113, -222, 0]
    assert status.pop() == (0, "No error")


def test_overflow_replaces_the_newest_entry():
    # SCPI-99 21.8.1: the last error in the queue is replaced with -350
    status = Status(capacity=3)
    for code in (-113, -109, -222, -224):
        status.push(code)
    assert [status.pop()[0] for _ in range(4)] == [-113, -109, -350, 0]


def test_detail_follows_a_semicolon():
    # SCPI-99 21.8.2: <error description>;<device-dependent info>
    status = Status()
    status.push(-113, "VOLR")
    assert status.pop() == (-113, "Undefined header;VOLR")


def test_status_byte_bits():
    # IEEE 488.2 11.2: bit 4 MAV, 5 ESB, 6 MSS; SCPI-99 20.1.1: bit 2 error queue
    status = Status()
    status.clear()
    assert status.status_byte(message_available=True) == 16
    status.push(-113)
    assert status.status_byte(message_available=False) == 4
    status.event_enable = 32
    assert status.status_byte(message_available=False) == 4 + 32
    status.service_enable = 32
    assert status.status_byte(message_available=False) == 4 + 32 + 64
    status.clear()
    assert status.status_byte(message_available=False) == 0
