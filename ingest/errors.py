"""Why a file could not be read."""

from monitor.errors import PledgewattError


class IngestError(PledgewattError):
    """A whole file cannot be read as the profile says.

    `Terminal` failures stay; a `Transient` one may be tried again.
    """


class Terminal(IngestError):
    """Trying again cannot help: the file or its profile must change."""


class Transient(IngestError):
    """The file may be readable later: it is still being written, or out of reach."""
