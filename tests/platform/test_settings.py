"""Settings come from the environment; a bad one is named with its mend."""

import pytest

from rimekeep.errors import Invalid
from rimekeep.platform.settings import load_settings


def test_defaults_need_no_environment_and_stay_on_loopback() -> None:
    settings = load_settings()
    assert settings.host == "127.0.0.1"
    assert settings.is_sqlite


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("RIMEKEEP_PORT", "eighty", "integer"),
        ("RIMEKEEP_PORT", "70000", "65535"),
        ("RIMEKEEP_DATABASE_URL", "mysql://root@localhost/x", "postgresql"),
        ("RIMEKEEP_DATABASE_URL", "sqlite://", "sqlite:///FILE"),
        ("RIMEKEEP_DATABASE_URL", "not a url", "sqlite:///FILE"),
        ("RIMEKEEP_LOG_LEVEL", "loud", "warning"),
        ("RIMEKEEP_JOBS", "perhaps", "boolean"),
        ("RIMEKEEP_LEASE_S", "1", "10"),
    ],
)
def test_bad_setting_is_named_with_what_would_be_right(
    monkeypatch: pytest.MonkeyPatch, name: str, value: str, expected: str
) -> None:
    monkeypatch.setenv(name, value)
    with pytest.raises(Invalid) as caught:
        load_settings()
    (fault,) = caught.value.faults
    assert fault.field == name
    assert expected in fault.detail + fault.mend


def test_every_bad_setting_is_named_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RIMEKEEP_PORT", "x")
    monkeypatch.setenv("RIMEKEEP_LOG_FORMAT", "xml")
    with pytest.raises(Invalid) as caught:
        load_settings()
    assert {fault.field for fault in caught.value.faults} == {"RIMEKEEP_PORT", "RIMEKEEP_LOG_FORMAT"}


def test_a_password_may_stand_in_the_postgresql_address(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(
        "RIMEKEEP_DATABASE_URL", "postgres://keeper:hidden@db/rimekeep".replace("postgres:", "postgresql:")
    )
    assert load_settings().database_url == "postgresql+psycopg://keeper:hidden@db/rimekeep"
