"""A trial taken away can be checked by anyone."""

import hashlib
import json
from importlib import import_module

from sqlalchemy.orm import Session

from server.trials.export import export
from server.trials.looks import Tonight, look
from tests.trials.yard import night_of, sealed, served


def test_another_library_reckons_the_same_seal_from_what_is_exported(session: Session) -> None:
    seal = sealed(session, question="Hält die Ä-Fuge?")
    whole = json.loads(export(session, seal[:8]))
    assert whole["seal"] == seal
    assert hashlib.sha256(import_module("rfc8785").dumps(whole["record"])).hexdigest() == seal


def test_every_look_goes_with_it(session: Session) -> None:
    seal = sealed(session)
    night = night_of(session, seal, 400)
    for value in (0.1, 0.2):
        look(session, seal, Tonight(night=night, pairs=served(night, (value, 0.05))))
    looks = json.loads(export(session, seal))["looks"]
    assert [(one["night"], one["again"], one["estimate"]) for one in looks] == [
        (night, 0, 0.1),
        (night, 1, 0.2),
    ]
    assert looks[0]["facts"]["pairs"][0]["served"] == {"night": night, "d": 0.1, "se": 0.05}
