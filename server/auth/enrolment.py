"""The line that a person carries to a node: one text with everything it needs to publish."""

import zlib
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Enrolment:
    """What a node has to know. `ca` is the site's certificate in base64url; None on the loopback."""

    host: str
    port: int
    site: str
    node: str
    generation: int
    password: str
    ca: str | None = None


def enrolment_line(enrolment: Enrolment) -> str:
    """One line, with the CRC-32 of all that stands before `;x=` at its end."""
    parts = [
        "hangtrue:1",
        f"h={enrolment.host}",
        f"p={enrolment.port}",
        f"s={enrolment.site}",
        f"n={enrolment.node}",
        f"g={enrolment.generation}",
        f"k={enrolment.password}",
    ]
    line = ";".join(parts if enrolment.ca is None else [*parts, f"c={enrolment.ca}"])
    return f"{line};x={zlib.crc32(line.encode()):08x}"
