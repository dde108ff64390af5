"""Errors that a person can act on."""


class PledgewattError(Exception):
    """Base of every expected failure.

    The message is one or more whole sentences: what is wrong, where, and what to do.
    """

    exit_code = 2

    @property
    def user_message(self) -> str:
        """The sentence to show; never a traceback."""
        return str(self)


class DescriptionError(PledgewattError):
    """A site or profile file says something that cannot be right."""


class NotFoundError(PledgewattError):
    """A site, import or user that was asked for does not exist."""

    exit_code = 3


class StoreBusyError(PledgewattError):
    """Another process holds the store open."""

    exit_code = 4


class CannotMeasureError(PledgewattError):
    """The site's meters cannot measure the boundary that was asked for."""

    exit_code = 5
