"""Looks, alerts and messages as metrics. Labels come from closed lists."""

from collections.abc import Iterable, Iterator

from prometheus_client.metrics_core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    Metric,
    SummaryMetricFamily,
)
from prometheus_client.registry import Collector

from server.alerts.delivery.failing import OutboxFigures
from server.alerts.figures import AlertFigures


class AlertMetrics(Collector):
    """What is looked at, what stands, what is sent, from the database."""

    def __init__(self, alerts: AlertFigures, outbox: OutboxFigures) -> None:
        self._alerts, self._outbox = alerts, outbox

    def collect(self) -> Iterable[Metric]:
        """Every metric of them."""
        yield from self._looks()
        yield from self._standing()
        yield from self._messages()

    def _looks(self) -> Iterator[Metric]:
        looks = CounterMetricFamily("inspections", "Looks, by how they ended.", labels=["result"])
        for result, many in sorted(self._alerts.looks.items()):
            looks.add_metric([result], many)
        yield looks
        took = SummaryMetricFamily("inspection_seconds", "Time of a look.")
        took.add_metric([], count_value=sum(self._alerts.looks.values()), sum_value=self._alerts.took_s)
        yield took
        last = self._alerts.last
        if last is not None:
            words = "When the newest look ended: an outside watcher sees by it that looks go on."
            yield GaugeMetricFamily("last_inspection_timestamp_seconds", words, value=last.timestamp())
        found = GaugeMetricFamily("findings", "Findings of the newest night.", labels=["topic", "verdict"])
        for (topic, verdict), many in sorted(self._alerts.findings.items()):
            found.add_metric([topic, verdict], many)
        yield found

    def _standing(self) -> Iterator[Metric]:
        stand = GaugeMetricFamily("alerts_standing", "Alerts that stand, by weight.", labels=["weight"])
        for weight, many in self._alerts.standing.items():
            stand.add_metric([weight], many)
        yield stand
        events = CounterMetricFamily("alert_events", "What happened to alerts, by kind.", labels=["kind"])
        for kind, many in sorted(self._alerts.events.items()):
            events.add_metric([kind], many)
        yield events

    def _messages(self) -> Iterator[Metric]:
        made = CounterMetricFamily("messages", "Messages, by kind and state.", labels=["kind", "state"])
        for (kind, state), many in sorted(self._outbox.messages.items()):
            made.add_metric([kind, state], many)
        yield made
        delay = SummaryMetricFamily("message_delay_seconds", "From the time it might go until it passed.")
        delay.add_metric([], count_value=self._outbox.sent, sum_value=self._outbox.delay_s)
        yield delay
        yield GaugeMetricFamily("outbox_waiting", "Messages that wait.", value=self._outbox.waiting)
        words = "For how long the oldest that waits has been due."
        yield GaugeMetricFamily("outbox_oldest_seconds", words, value=self._outbox.oldest_s)
