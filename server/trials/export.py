"""A trial to take away: its record, its seal and its looks, as JSON."""

import json
from dataclasses import asdict

from sqlalchemy.orm import Session

from server.trials.looks import looks_of
from server.trials.store import find

FORM = "hangtrue-trial-export-1"


def export(session: Session, name: str) -> bytes:
    """The record, its seal and every look, as JSON in UTF-8 with sorted keys.

    The seal is SHA-256 of the record alone in the form of RFC 8785, so that anyone can reckon it again.
    Raises as `find`.
    """
    found = find(session, name)
    whole = {
        "form": FORM,
        "seal": found.seal,
        "sealed": found.sealed.isoformat(),
        "by": found.by,
        "place": found.place,
        "line_length": found.line_length,
        "replaced_by": found.replaced_by,
        "record": found.record,
        "looks": [asdict(one) for one in looks_of(session, found.seal)],
    }
    return json.dumps(whole, ensure_ascii=False, allow_nan=False, sort_keys=True, indent=1).encode("utf-8")
