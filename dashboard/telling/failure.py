"""Why a person could not be told."""

from monitor.errors import PledgewattError


class NotTold(PledgewattError):
    """A message was not accepted; the next try may go better."""


class Refused(NotTold):
    """A receiver will not take messages until a person has put something right."""


class Unanswered(NotTold):
    """A message was handed over, and no answer came: it may have been accepted."""
