"""Errors a person can act on."""


def printable(text: str) -> str:
    """Return ``text`` in one line, with what could steer a terminal escaped: names from a file."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


class SaglineError(Exception):
    """A failure told in one line: what happened, where, and what to do about it.

    Programs print ``str(error)``, and that of each in ``more``, and exit non-zero; they never show
    a traceback for it.
    """

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        self.more: tuple[SaglineError, ...] = ()
        """Other failures of the same kind, where all were found at once."""
        line = f"{where}: {what}" if where else what
        line = f"{line}; {remedy}" if remedy else line
        super().__init__(printable(line))


class UsageError(SaglineError):
    """The command line itself is wrong, whatever the files hold: programs exit with 2, which a
    service takes for a reason not to try again."""


class FrameError(ValueError):
    """Bytes that are not a frame: bad stuffing, wrong CRC, or too long."""


class RecordError(ValueError):
    """A body that breaks the rules of its record kind, or a record that cannot be written."""
