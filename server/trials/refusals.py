"""Refusals of trials."""

from server.errors import HangtrueError, SettingsError


class DeclarationError(SettingsError):
    """A declaration that lacks a field or has one that cannot be used."""


class ScopeError(HangtrueError, ValueError):
    """More is claimed than so few pairs can bear."""


class BandMissingError(HangtrueError, ValueError):
    """Nobody said which difference would matter."""


class HorizonError(HangtrueError, ValueError):
    """An end too near or too far, or a look beyond it."""


class StartError(HangtrueError, ValueError):
    """A start before the day of sealing: readings seen before cannot enter."""


class MomentUnknownError(HangtrueError, ValueError):
    """A joint whose moment is not known cannot be compared per moment."""


class SealedError(HangtrueError):
    """What is sealed does not change."""


class SealBrokenError(HangtrueError):
    """A record that does not read as its seal says."""


class UnknownTrialError(HangtrueError, LookupError):
    """No trial or draft of that name, or more than one."""
