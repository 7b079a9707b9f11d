"""Instruments are opened, identified, and closed whatever happens."""

import pytest

from acquire.errors import InstrumentFault
from acquire.run.instruments import entries, leftover_errors, opened, policy, records, resources
from drivers.errors import InstrumentError, LinkLostError


def test_all_are_opened_and_closed(lab, bench):
    with opened(bench, lab.openers) as found:
        assert [role for role, _ in found.met()] == ["scope", "switch", "ohmmeter"]
        assert lab.opened == 3
    assert lab.opened == 0


def test_a_bench_for_a_hand_has_no_relay_unit(lab, by_hand):
    with opened(by_hand, lab.openers) as found:
        assert found.switch is None
    assert len(resources(by_hand)) == 2


def test_what_was_opened_is_closed_where_another_does_not_answer(lab, bench):
    lab.fail("ohmmeter.open", LinkLostError("nothing listens", instrument="ohmmeter (x)"))

    with (
        pytest.raises(InstrumentFault, match=r"ohmmeter \(x\): nothing listens\. Check its add"),
        opened(bench, lab.openers),
    ):
        pass
    assert lab.opened == 0


@pytest.mark.parametrize("field", ["maker", "model", "serial"])
def test_another_unit_than_the_bench_names_is_a_fault(lab, load_bench_text, field):
    bench = load_bench_text({"scope: {": f"scope: {{identity: {{{field}: another}}, "})

    with (
        pytest.raises(InstrumentFault, match=rf"its {field} is '.+', but .* names 'another'"),
        opened(bench, lab.openers),
    ):
        pass
    assert lab.opened == 0


def test_the_identity_is_compared_without_case(lab, load_bench_text):
    bench = load_bench_text({"scope: {": "scope: {identity: {maker: fakes, model: SCOPE}, "})

    with opened(bench, lab.openers):
        pass


def test_errors_left_from_before_are_named_by_role(lab, bench):
    with opened(bench, lab.openers) as found:
        lab.leftover = (InstrumentError(-113, "Undefined header"),)
        assert leftover_errors(found)["scope"] == (InstrumentError(-113, "Undefined header"),)


def test_the_bench_says_how_long_to_wait(bench):
    assert policy(bench, entries(bench)["scope"]).reconnects == 1
    assert policy(bench, entries(bench)["scope"]).timeout == 5.0


def test_what_is_stored_of_them(lab, load_bench_text):
    bench = load_bench_text({"ohmmeter: {": "ohmmeter: {calibration_due: 2030-01-31, "})
    with opened(bench, lab.openers) as found:
        stored = {r.role: r for r in records(bench, found, {"range1": "4"})}

    assert stored["scope"].settings == {"range1": "4"}
    assert stored["scope"].idn == "FAKES,scope,1,1.0"
    assert stored["switch"].settings == {}
    assert stored["ohmmeter"].calibration_due == "2030-01-31"
