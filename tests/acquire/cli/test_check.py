"""How findings become lines and an exit code; the findings themselves are preflight's."""

import pytest

from acquire.cli import check, claims, invoke
from acquire.errors import ExitCode
from acquire.run import preflight
from acquire.run.preflight import Finding

ARGUMENTS = ["check", "bonding_lead", "--bench", "wind_tunnel_simulated"]


@pytest.fixture
def found(monkeypatch):
    """A function that says what the check is to find."""

    def find(*findings):
        monkeypatch.setattr(preflight, "check", lambda *_arguments, **_more: list(findings))

    monkeypatch.setattr(claims, "foreign_claims", list)
    return find


OK = Finding("ok", "clock", "is right")
WARNING = Finding("warning", "calibration", "ended yesterday")
REFUSAL = Finding("refusal", "disk space", "is too small")
FAULT = Finding("refusal", "scope", "does not answer", ExitCode.FAULT)


@pytest.mark.parametrize(
    ("findings", "code", "said"),
    [
        ((OK,), 0, "The run would start (0 warnings)."),
        ((OK, WARNING), 0, "The run would start (1 warning)."),
        ((OK, REFUSAL), 2, "The run would be refused (1 refusal)."),
        ((WARNING, REFUSAL, FAULT), 4, "The run would be refused (2 refusals)."),
    ],
    ids=["ok", "warning", "refusal", "fault"],
)
def test_the_worst_finding_is_the_exit_code(found, findings, code, said, capsys):
    found(*findings)

    assert invoke(ARGUMENTS) == code

    shown = capsys.readouterr().out
    assert said in shown
    for finding in findings:
        assert finding.kind in shown
        assert finding.text in shown


def test_another_distribution_with_our_names_is_a_warning(found, monkeypatch, capsys):
    found(OK)
    monkeypatch.setattr(check.claims, "foreign_claims", lambda: ["the package 'drivers' is also"])

    assert invoke(ARGUMENTS) == 0
    assert "the package 'drivers' is also" in capsys.readouterr().out
