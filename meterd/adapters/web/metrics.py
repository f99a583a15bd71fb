"""The health of the program as OpenMetrics 1.0 text. Loaded with the first question: most sites never ask."""

from collections.abc import Iterator

from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.registry import Collector, CollectorRegistry

from meterd.core.model.health import Family, Health, families

_PREFIX = "meterd"
_ENDS = {"counter": "_total", "info": "_info"}
_DECIMALS = 3  # of seconds


def openmetrics(health: Health) -> str:
    """The value as text. What is not known is left out."""
    registry = CollectorRegistry()
    registry.register(_Families(families(health)))
    text: bytes = generate_latest(registry)  # type: ignore[no-untyped-call]
    return text.decode()


class _Families(Collector):
    """The families as the library collects them."""

    def __init__(self, families: list[Family]) -> None:
        self._families = families

    def collect(self) -> Iterator[Metric]:
        """One metric for each family that has a value."""
        for family in self._families:
            metric = Metric(f"{_PREFIX}_{family.name}", family.help, family.kind, family.unit)
            for labels, value in family.samples:
                if value is not None:
                    metric.add_sample(metric.name + _ENDS.get(family.kind, ""), dict(labels), round(value, _DECIMALS))
            if metric.samples:
                yield metric
