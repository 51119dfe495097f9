"""What an outside watcher asks: is it well, and its counters as Prometheus text."""

from collections.abc import Iterable, Iterator, Mapping

from flask import Blueprint, Response
from prometheus_client import CollectorRegistry
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.metrics_core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    Metric,
)
from prometheus_client.registry import Collector

from dashboards.pages.health_alerts import AlertMetrics
from dashboards.pages.models import HealthOut
from dashboards.pages.ours import ours
from server.alerts.delivery.failing import outbox_figures
from server.alerts.figures import alert_figures

pages = Blueprint("health", __name__)
STALE_MS = 5000

COUNTERS = {  # the line's key, the metric's name without _total, its help
    "packs_stored": ("packs_stored", "Packs stored since the service started."),
    "readings_stored": ("readings_stored", "Readings stored since the service started."),
    "redelivered": ("redelivered", "Packs that came again and were there already."),
    "fast_misses": ("fast_check_misses", "Packs that the quick check could not tell were there."),
}
GAUGES = {
    "queue_packs": ("queue_packs", "Packs that wait to be stored."),
    "queue_bytes": ("queue_bytes", "Bytes that wait to be stored."),
    "connections": ("connections", "Connections of boxes."),
    "store_failing": ("store_failing", "1 while the store refuses."),
    "dirty_days": ("dirty_days", "Days whose means are to be made again."),
}


class Line(Collector):
    """The service's last line as metrics."""

    def __init__(self, line: Mapping[str, object]) -> None:
        self._line = line

    def collect(self) -> Iterable[Metric]:
        """Every metric of the line; one that the line has not is left out."""
        yield from self._plain()
        refused = CounterMetricFamily("packs_refused", "Packs refused, by reason.", labels=["code"])
        codes = self._line.get("packs_refused")
        for code, many in sorted(codes.items()) if isinstance(codes, Mapping) else ():
            refused.add_metric([str(code)], _number(many))
        yield refused
        for key, words in (("commit_seconds", "Time of a commit."), ("group_packs", "Packs in one commit.")):
            metric = self._histogram(key, words)
            if metric:
                yield metric

    def _plain(self) -> Iterator[Metric]:
        for key, (name, words) in COUNTERS.items():
            if key in self._line:
                yield CounterMetricFamily(name, words, value=_number(self._line[key]))
        for key, (name, words) in GAUGES.items():
            if key in self._line:
                yield GaugeMetricFamily(name, words, value=_number(self._line[key]))

    def _histogram(self, key: str, words: str) -> Metric | None:
        total, many = self._line.get(f"{key}_sum"), self._line.get("commits")
        if total is None or many is None:
            return None
        told = self._line.get(f"{key}_buckets")
        pairs = (
            sorted((float(k), _number(v)) for k, v in told.items() if k != "+Inf")
            if isinstance(told, Mapping)
            else []
        )
        buckets = [(str(edge), count) for edge, count in pairs] + [("+Inf", _number(many))]
        return HistogramMetricFamily(key, words, buckets=buckets, sum_value=_number(total))


@pages.get("/healthz")
def healthz() -> tuple[Response, int]:
    """200 while the service says that it is well; else 503 with the reason."""
    reason = not_well()
    told = HealthOut(status="not well" if reason else "well", reason=reason)
    return Response(
        told.model_dump_json(exclude_none=True), mimetype="application/json"
    ), 503 if reason else 200


@pages.get("/metrics")
def metrics() -> tuple[Response, int]:
    """The service's counters, and what is looked at, stands and is sent."""
    line = ours().health()
    if line is None or _is_stale(line):
        return Response("# nothing heard from the service for 5 seconds\n", mimetype="text/plain"), 503
    registry = CollectorRegistry(auto_describe=False)
    registry.register(Line(line))
    with ours().sessions() as session:
        registry.register(AlertMetrics(alert_figures(session), outbox_figures(session, ours().clock())))
    return Response(generate_latest(registry), content_type=CONTENT_TYPE_LATEST), 200


def not_well() -> str | None:
    """Why the service is not well, None while it is."""
    line = ours().health()
    if line is None:
        return "nothing heard from the service for 5 seconds"
    if _is_stale(line):
        return "the service’s last word is older than 5 seconds"
    if line.get("store_failing"):
        return "the store refuses; boxes keep their readings"
    return None


def _is_stale(line: Mapping[str, object]) -> bool:
    now = ours().clock().timestamp() * 1000
    at = line.get("t_ms")
    return not isinstance(at, int | float) or now - at > STALE_MS


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float | str) else 0.0
