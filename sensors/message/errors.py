"""Refusals of the wire: one code a pack, and a sentence in three parts."""

# In the order in which they are tested; names are frozen in this version of the contract.
CODES = (
    "foreign-topic",
    "unknown-node",
    "too-large",
    "bad-utf8",
    "not-json",
    "not-array",
    "empty-pack",
    "bad-type",
    "must-understand",
    "bad-number",
    "bad-version",
    "missing-meta",
    "bad-meta",
    "missing-name",
    "bad-name",
    "two-values",
    "missing-value",
    "clock-mismatch",
    "bad-time",
    "future-time",
    "unknown-channel",
    "unit-mismatch",
    "out-of-range",
    "count-mismatch",
    "seq-mismatch",
    "duplicate-different-value",
)

Meta = tuple[str, int, int]  # journal, first and last sequence number


class MessageError(ValueError):
    """A refused pack. `record` is the index in its array, `meta` the range held when it could be read."""

    def __init__(self, code: str, needed: str, came: object, *, record: int | None = None) -> None:
        self.code, self.record, self.needed, self.came = code, record, needed, cut(came)
        self.asked = "pack" if record is None else f"pack, record {record}"
        self.meta: Meta | None = None
        super().__init__(code, self.asked, self.needed, self.came)

    def __str__(self) -> str:
        return f"{self.asked}: needs {self.needed}, got {self.came} ({self.code})"

    def holding(self, meta: Meta | None) -> "MessageError":
        """The same refusal, with the range that is held by it."""
        self.meta = meta
        return self


class ConfigError(ValueError):
    """Settings for a node that it must not take. `member` is what the node answers in its status."""

    def __init__(self, member: str, needed: str, came: object) -> None:
        self.member, self.needed, self.came = member, needed, cut(came)
        self.asked = f"config, {member}"
        super().__init__(member, self.needed, self.came)

    def __str__(self) -> str:
        return f"{self.asked}: needs {self.needed}, got {self.came}"


def cut(came: object) -> str:
    """What came from outside, fit for a sentence: quoted, at most 40 characters."""
    if isinstance(came, (list, dict)):
        return "a list" if isinstance(came, list) else "an object"
    if isinstance(came, int) and abs(came) >= 10**38:
        return "a number of 39 digits or more"
    text = repr(came)
    return text if len(text) <= 40 else text[:37] + "..."
