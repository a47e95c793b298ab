"""What can go wrong, and what every reader of a result must know."""

from dataclasses import dataclass
from typing import Literal, get_args

from sleepbrux.core.texts import visible

Severity = Literal["note", "warning"]
LONGEST = 1200


class SleepbruxError(ValueError):
    """Root of the errors that sleepbrux raises on purpose.

    The message is one sentence: what was found, in which file and field, what is allowed, what to do. It may
    quote a file, so what cannot be seen in it is written out, and the middle of a very long one is left out.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> try:
    ...     sb.open_recording("none.edf")
    ... except sb.SleepbruxError as error:
    ...     print(error)
    none.edf: there is no such file; check the path.
    """

    def __init__(self, sentence: object = "") -> None:
        text = visible(str(sentence))
        if len(text) > LONGEST:
            text = f"{text[: LONGEST // 2]} [...] {text[-LONGEST // 2 :]}"
        super().__init__(text)


class RecordingError(SleepbruxError):
    """A recording cannot be read, or not read rightly."""


class CriterionError(SleepbruxError):
    """A rule file is unknown, incomplete or holds an impossible value."""


class ReferenceLevelError(SleepbruxError):
    """A rest level or a reference clench cannot be used."""


class StudyError(SleepbruxError):
    """A study file is incomplete or contradicts itself."""


class ArchiveError(SleepbruxError):
    """A night's archive cannot be read."""


class JournalError(SleepbruxError):
    """A journal of decisions cannot be read, or a decision has no meaning."""


class UsageError(SleepbruxError):
    """The command was called in a way that has no meaning.

    Examples
    --------
    >>> import sleepbrux as sb
    >>> try:
    ...     sb.score_many([], workers=0)
    ... except sb.UsageError as error:
    ...     print(error)
    `workers` is 0; give 1 or more, or None for one a core
    """


@dataclass(frozen=True, order=True)
class Note:
    """One thing that every reader of the result must know.

    Attributes
    ----------
    code
        Stable word for programs, such as ``"records-inferred"``.
    severity
        ``"warning"`` where a number may be affected, else ``"note"``.
    text
        One plain sentence.

    Examples
    --------
    >>> from sleepbrux import Note
    >>> Note("x", "warning", "the clock went back").severity
    'warning'
    """

    code: str
    severity: Severity
    text: str

    def __post_init__(self) -> None:
        """Refuse values of another kind."""
        for name, value in (("code", self.code), ("severity", self.severity), ("text", self.text)):
            if not isinstance(value, str):
                raise UsageError(f"`{name}` is a {type(value).__name__}; wanted is a text")
        if self.severity not in get_args(Severity):
            raise UsageError(f"`severity` is {self.severity!r}; wanted is 'note' or 'warning'")
