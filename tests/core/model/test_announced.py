"""What a site announces: nothing unless its plan says where, and nothing that only this machine can reach."""

from dataclasses import replace

import pytest

from meterd.core.model.announced import Service, services_of
from meterd.core.model.plan import Broker, Page, Site

OWN, TOPIC = "192.0.2.10", (("topic", "energy/mill"),)
SITE = Site("mill", "UTC", announce=OWN, broker=Broker(), page=Page(listen="0.0.0.0", port=8480))
MQTT, HTTP = Service("_mqtt._tcp", OWN, 1883, TOPIC), Service("_http._tcp", OWN, 8480, (("path", "/"),))


@pytest.mark.parametrize(
    ("site", "services"),
    [
        (SITE, (MQTT, HTTP)),
        (replace(SITE, announce=""), ()),
        (replace(SITE, broker=Broker(embedded=True)), (HTTP,)),
        (replace(SITE, page=Page(port=8480)), (MQTT,)),
        (replace(SITE, page=Page()), (MQTT,)),
        (replace(SITE, broker=Broker(host="192.0.2.20")), (replace(MQTT, address="192.0.2.20"), HTTP)),
        (replace(SITE, broker=Broker(host="broker")), (MQTT, HTTP)),
        (
            replace(
                SITE, broker=Broker(port=8883, tls=True), page=Page(listen=OWN, port=443, cert_file="c", path="/energy")
            ),
            (
                Service("_secure-mqtt._tcp", OWN, 8883, TOPIC),
                Service("_https._tcp", OWN, 443, (("path", "/energy/"),)),
            ),
        ),
    ],
)
def test_services_of_a_plan(site: Site, services: tuple[Service, ...]) -> None:
    """Address, port and text of each."""
    assert services_of(site) == services
