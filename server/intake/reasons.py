"""The reason codes of MQTT 5.0 that this service sends or reads, and what is left of them in MQTT 3.1.1."""

from enum import IntEnum


class Reason(IntEnum):
    """A reason code. Source: MQTT 5.0 (OASIS 2019-03-07), table 2-6."""

    SUCCESS = 0x00
    GRANTED_QOS_1 = 0x01
    WITH_WILL = 0x04
    NO_SUBSCRIPTION = 0x11
    UNSPECIFIED = 0x80
    MALFORMED = 0x81
    PROTOCOL_ERROR = 0x82
    NOT_TAKEN = 0x83
    UNSUPPORTED_VERSION = 0x84
    BAD_CLIENT_ID = 0x85
    BAD_USER_OR_PASSWORD = 0x86
    NOT_AUTHORIZED = 0x87
    UNAVAILABLE = 0x88
    SHUTTING_DOWN = 0x8B
    BAD_AUTHENTICATION_METHOD = 0x8C
    KEEP_ALIVE_TIMEOUT = 0x8D
    TAKEN_OVER = 0x8E
    BAD_FILTER = 0x8F
    BAD_TOPIC = 0x90
    TOO_MANY_IN_FLIGHT = 0x93
    BAD_ALIAS = 0x94
    TOO_LARGE = 0x95
    QUOTA = 0x97
    QOS_NOT_SUPPORTED = 0x9B
    NO_SHARED = 0x9E
    NO_SUBSCRIPTION_ID = 0xA1


SUBSCRIBE_FAILED_3 = 0x80  # MQTT 3.1.1 has this one word for a filter that is not granted
_CONNACK_3 = {
    Reason.SUCCESS: 0,
    Reason.UNSUPPORTED_VERSION: 1,
    Reason.BAD_CLIENT_ID: 2,
    Reason.UNAVAILABLE: 3,
    Reason.QUOTA: 3,
    Reason.BAD_USER_OR_PASSWORD: 4,
    Reason.NOT_AUTHORIZED: 5,
}


def connack_code_3(reason: Reason) -> int | None:
    """The return code of a 3.1.1 CONNACK for a reason; None: 3.1.1 has no word for it, so close in silence.

    Source: MQTT 3.1.1 (OASIS 2014-10-29), table 3.1.
    """
    return _CONNACK_3.get(reason)
