"""Reason codes in the two versions."""

from server.intake.reasons import Reason, connack_code_3


def test_3_has_six_words_and_silence_for_the_rest() -> None:
    """Source: MQTT 3.1.1 (OASIS 2014-10-29), table 3.1."""
    words = {connack_code_3(reason) for reason in Reason}
    assert words == {0, 1, 2, 3, 4, 5, None}
    assert connack_code_3(Reason.MALFORMED) is None
    assert connack_code_3(Reason.BAD_USER_OR_PASSWORD) == 4
    assert connack_code_3(Reason.NOT_AUTHORIZED) == 5
