"""A calendar read back by the letter of RFC 5545, without the library that wrote it."""

import re
from collections.abc import Mapping

LINE = re.compile(r'(?P<name>[A-Za-z0-9-]+)(?P<params>(?:;[A-Z-]+=(?:"[^"]*"|[^";:,]*))*):(?P<value>.*)')
ESCAPED = re.compile(r"\\([\\;,Nn])")
MOST_OCTETS = 75
TEXTS = ("SUMMARY", "DESCRIPTION", "NAME", "X-WR-CALNAME", "PRODID", "VERSION", "UID", "TRANSP")

Component = Mapping[str, str]


def unfolded(raw: bytes) -> list[str]:
    """Lines end in CRLF, none is over 75 octets, a fold is CRLF and a blank. Source: RFC 5545, 3.1."""
    assert raw.endswith(b"\r\n")
    assert re.sub(rb"\r\n", b"", raw).translate(None, b"\r\n") == re.sub(rb"\r\n", b"", raw)
    lines = raw.split(b"\r\n")[:-1]
    assert max(map(len, lines)) <= MOST_OCTETS
    for line in lines:
        line.decode()  # no letter is cut in two, which some readers cannot mend
    return raw.replace(b"\r\n ", b"").decode().split("\r\n")[:-1]


def components(raw: bytes) -> list[tuple[str, Component]]:
    """Every component by name with its properties as read, parameters kept in the name; outermost first.

    Sources: RFC 5545, 3.1 (content lines), 3.3.11 (escapes of a text), 3.6 (BEGIN and END are paired).
    """
    found: list[tuple[str, dict[str, str]]] = []
    open_now: list[tuple[str, dict[str, str]]] = []
    for line in unfolded(raw):
        match = LINE.fullmatch(line)
        assert match, line
        name, value = match["name"].upper(), match["value"]
        if name == "BEGIN":
            open_now.append((value, {}))
            found.append(open_now[-1])
        elif name == "END":
            assert open_now.pop()[0] == value
        else:
            key = name + match["params"]
            assert key not in open_now[-1][1], f"{key} twice"
            open_now[-1][1][key] = _text(value) if name in TEXTS else value
    assert not open_now
    return list(found)


def events(raw: bytes) -> list[Component]:
    """The properties of every event, in order."""
    return [values for name, values in components(raw) if name == "VEVENT"]


def _text(value: str) -> str:
    """3.3.11: a text holds no bare comma, semicolon or backslash."""
    assert not re.search(r"[;,\\]", ESCAPED.sub("", value)), value
    return ESCAPED.sub(lambda one: "\n" if one[1] in "Nn" else one[1], value)
