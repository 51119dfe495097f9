"""Looks, alerts and messages as metrics, read back by prometheus_client's own parser."""

from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import Engine

from tests.dashboards import yard
from tests.dashboards.conftest import HOST, app_over
from tests.dashboards.pages.test_health import LINE

Sample = tuple[str, tuple[tuple[str, str], ...]]


def read(engine: Engine) -> dict[Sample, float]:
    answer = app_over(engine, LINE).test_client().get("/metrics", base_url=HOST)
    families = text_string_to_metric_families(answer.get_data(as_text=True))
    return {
        (one.name, tuple(sorted(one.labels.items()))): one.value
        for family in families
        for one in family.samples
    }


def test_alerts_and_looks_are_counted(alerted: Engine) -> None:
    told = read(alerted)
    assert told["alerts_standing", (("weight", "soon"),)] == 1
    assert told["alerts_standing", (("weight", "today"),)] == 0
    assert told["alert_events_total", (("kind", "raised"),)] == 1
    assert told["inspections_total", (("result", "done"),)] == 2
    assert told["inspection_seconds_count", ()] == 2
    assert told["last_inspection_timestamp_seconds", ()] == yard.NOW.timestamp()
    assert told["outbox_waiting", ()] == 0


def test_an_empty_yard_has_them_too(engine: Engine) -> None:
    told = read(engine)
    assert told["outbox_oldest_seconds", ()] == 0
    assert ("last_inspection_timestamp_seconds", ()) not in told
