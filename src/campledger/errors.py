"""
The exceptions of the house.

::

    CampledgerError
    +-- InputError       a file, option or reading that is refused (exit code 2)
    |   `-- FaultsError  several of them, reported together
    +-- StoreError       the store cannot be used as asked
    |   +-- StoreBusyError      another process holds it for too long
    |   +-- StoreNewerError     written by a newer version
    |   `-- StoreDamagedError   a part cannot be read
    +-- BusError         a wire did not answer; `temporary` tells the poller
    `-- CannotTellError  a question that this record cannot answer

``ValueError`` is for a wrong argument to a pure function.
Messages state the fact; the layer above adds file, channel or command.
"""

from dataclasses import dataclass


class CampledgerError(Exception):
    """Anything that goes wrong in the world around campledger."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """
    One thing wrong with an input, in the house form of an error line.

    Attributes
    ----------
    file, line, field : where; line 0 means the whole file.
    got, expected : what was there and what would have been right.
    effect : what happened to the data, a sentence.
    """

    file: str
    field: str
    got: str
    expected: str
    effect: str
    line: int = 0
    line_last: int = 0

    def __str__(self) -> str:
        """Give the line that a person reads."""
        place = self.file
        if self.line:
            place += f":{self.line}"
            if self.line_last > self.line:
                place += f"-{self.line_last}"
        found = f"{place}: {self.field}: got {self.got}"
        if self.expected:
            found += f", expected {self.expected}"
        return f"{found}. {self.effect}".rstrip()


class InputError(CampledgerError):
    """An input is refused; nothing was done with it."""

    def __init__(self, *faults: Fault) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = faults


class FaultsError(InputError):
    """Several faults of one input, found together."""


class StoreError(CampledgerError):
    """The store cannot be used as asked."""


class StoreBusyError(StoreError):
    """Another process holds the store for too long."""


class StoreNewerError(StoreError):
    """The store was written by a newer version."""


class StoreDamagedError(StoreError):
    """A part of the store cannot be read."""


class BusError(CampledgerError):
    """A wire did not answer as it should."""

    def __init__(self, message: str, *, temporary: bool = True) -> None:
        super().__init__(message)
        self.temporary = temporary


class CannotTellError(CampledgerError):
    """A question that the record cannot answer; the message says what is missing."""
