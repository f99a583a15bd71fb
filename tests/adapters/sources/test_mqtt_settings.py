"""The options of an MQTT source stand over those of the plan's broker, whose credentials stay with it."""

from pathlib import Path

import pytest

from meterd.adapters.sources.mqtt_settings import link_settings, settings_for
from meterd.core.errors import ConfigError
from meterd.core.model.plan import Broker, Site, Source


def site(**options: str | int | float | bool) -> Site:
    return Site("harrow-mill", "Europe/London", sources=(Source("meters", "mqtt", tuple(options.items())),))


def test_credentials_of_the_plans_broker_do_not_go_to_another_host() -> None:
    broker = Broker(host="here", username="meterd", password_env="SECRET", tls=True)
    plan = Site("s", "UTC", sources=(Source("m", "mqtt", (("host", "elsewhere"),)),), broker=broker)
    settings = settings_for(plan.sources[0], plan)
    assert (settings.host, settings.username, settings.password_env, settings.tls) == ("elsewhere", "", "", False)


def test_password_comes_from_environment_or_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = site(password_env="METER_PASSWORD")
    with pytest.raises(ConfigError, match="METER_PASSWORD"):
        link_settings(settings_for(plan.sources[0], plan))
    monkeypatch.setenv("METER_PASSWORD", "one")
    assert link_settings(settings_for(plan.sources[0], plan)).password == "one"
    plan = site(password_file=str(tmp_path / "p"))
    with pytest.raises(ConfigError, match="cannot read the broker's password"):
        link_settings(settings_for(plan.sources[0], plan))
    (tmp_path / "p").write_text("two\n")
    assert link_settings(settings_for(plan.sources[0], plan)).password == "two"
