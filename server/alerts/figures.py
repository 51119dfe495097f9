"""Looks, findings and alerts in figures, for an outside watcher."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from server.alerts.tables import AlertEventRow
from server.alerts.views import standing
from server.inspection.tables import FindingRow, InspectionRow

WEIGHTS = ("today", "soon", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class AlertFigures:
    """Looks by how they ended, how long they took in all, the newest; of alerts, what and how many.

    `findings`: of the newest night, by topic and `judged` or `unjudged`.
    """

    looks: Mapping[str, int]
    took_s: float
    last: datetime | None
    findings: Mapping[tuple[str, str], int]
    standing: Mapping[str, int]
    events: Mapping[str, int]


def alert_figures(session: Session) -> AlertFigures:
    """What stands now, and all that was looked at and happened since the first day."""
    looks = session.execute(
        select(InspectionRow.status, func.count(), func.sum(InspectionRow.took_s)).group_by(
            InspectionRow.status
        )
    ).all()
    events = session.execute(select(AlertEventRow.kind, func.count()).group_by(AlertEventRow.kind))
    weights = [view.weight for view in standing(session)]
    return AlertFigures(
        looks={status: int(many) for status, many, _ in looks},
        took_s=float(sum(took or 0.0 for _, _, took in looks)),
        last=session.scalar(select(func.max(InspectionRow.looked))),
        findings=_findings(session),
        standing={weight: weights.count(weight) for weight in WEIGHTS},
        events={kind: int(many) for kind, many in events},
    )


def _findings(session: Session) -> dict[tuple[str, str], int]:
    night = select(func.max(InspectionRow.slot)).where(InspectionRow.slot.not_like("%T%")).scalar_subquery()
    verdict = case((FindingRow.unjudged.is_(None), "judged"), else_="unjudged")
    query = (
        select(FindingRow.topic, verdict, func.count())
        .join(InspectionRow, InspectionRow.id == FindingRow.inspection_id)
        .where(InspectionRow.slot == night)
        .group_by(FindingRow.topic, verdict)
    )
    return {(topic, how): int(many) for topic, how, many in session.execute(query)}
