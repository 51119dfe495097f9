"""Every refusal of hangtrue, under one root. Each says what was asked, what is needed and what came."""


class HangtrueError(Exception):
    """A refusal. `str(error)` is one sentence that a maker can act on."""

    status = 1

    def __init__(self, asked: str, needed: str, came: str) -> None:
        super().__init__(asked, needed, came)
        self.asked, self.needed, self.came = asked, needed, came

    def __str__(self) -> str:
        return f"{self.asked}: needs {self.needed}, got {self.came}"


class SettingsError(HangtrueError, ValueError):
    """Arguments, files or settings that cannot be used; every refused start."""

    status = 2


class FileError(SettingsError):
    """A file that cannot be used. `complaints` holds one sentence each, with line and key."""

    def __init__(self, asked: str, needed: str, complaints: list[str]) -> None:
        super().__init__(asked, needed, "; ".join(complaints))
        self.complaints = complaints

    def __str__(self) -> str:
        return "\n".join([f"{self.asked}: needs {self.needed}", *self.complaints])


class OutOfRangeError(HangtrueError, ValueError):
    """A number outside the range that the equation or the gauge was made for."""


class TooFewReadingsError(HangtrueError):
    """Not enough readings, or not over long enough, to know. Becomes a finding, never a guess."""


class UnknownDoorError(HangtrueError, LookupError):
    """No door of that name is hung here."""


class UnknownNodeError(HangtrueError, LookupError):
    """No node of that name is enrolled here."""


class UnknownAlertError(HangtrueError, LookupError):
    """No alert of that number."""


class UnknownChannelError(HangtrueError, LookupError):
    """No channel of that name is enrolled."""


class AlreadyThereError(HangtrueError):
    """Something of that name is there already."""


class AlertClosedError(HangtrueError):
    """What is closed stays as it ended."""


class WordsNeededError(HangtrueError, ValueError):
    """A person closes an alert by saying how it ended."""


class StaleSchemaError(HangtrueError):
    """The database is not at the version that this code was written for."""

    status = 2


class SeriesError(HangtrueError, ValueError):
    """A daily series whose arrays do not fit one another, or cannot be numbers of days."""


class BadLinesError(HangtrueError, ValueError):
    """Lines of a file of readings that cannot be stored."""
