"""Whose night a result is: person, study entry, night and recording, and whether two of them are one.

A night says what it knows of this in `sleepbrux.scoring.night.Night.about` and in the digest of its input. Every file
that a night leaves carries it, and whoever reads one compares it with what is due.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from sleepbrux.core.errors import ArchiveError

if TYPE_CHECKING:
    from sleepbrux.scoring.night import Night


@dataclass(frozen=True)
class Identity:
    """Whose night a result is; a field is empty where it is not known.

    Attributes
    ----------
    person
        What the study file calls the person.
    study_sha256
        SHA-256 over what the study file said of the night, as far as it was scored by it: see
        `sleepbrux.study.file.entry_digest`.
    study_id
        Id that the study file was given when it was drafted: two studies of one pseudonym differ in it.
    night
        Id of the night in the study file.
    input_sha256
        SHA-256 of the recording.
    """

    person: str = ""
    study_sha256: str = ""
    study_id: str = ""
    night: str = ""
    input_sha256: str = ""

    @property
    def words(self) -> str:
        """Person, night and recording as a sentence names them.

        Examples
        --------
        >>> Identity("P-01", night="n1", input_sha256="ab12" * 16).words
        "night 'n1' of 'P-01' (recording with SHA-256 ab12ab12…)"
        """
        night = f"night {self.night!r}" if self.night else "a night"
        person = f" of {self.person!r}" if self.person else ""
        study = f", study {self.study_id}" if self.study_id else ""
        digest = f" (recording with SHA-256 {self.input_sha256[:8]}…)" if self.input_sha256 else ""
        return f"{night}{person}{study}{digest}"


def identity_of(night: Night) -> Identity:
    """Whose night it is, as far as the night itself says."""
    about = dict(night.about)
    return Identity(
        about.get("person", ""),
        about.get("study_sha256", ""),
        about.get("study_id", ""),
        about.get("night", ""),
        night.swept.digest,
    )


def study_words(night: Night) -> dict[str, str]:
    """What a study says of the night for people to read: pseudonym, night, condition; empty without one."""
    return {k: v for k, v in night.about if k in ("person", "night", "condition")}


def identity_table(night: Night) -> dict[str, str]:
    """`identity_of` as plain values, for JSON files and the last columns of tables."""
    return asdict(identity_of(night))


def foreign(found: Identity, due: Identity) -> bool:
    """Whether one of them is another person's, another night's or another recording's than the other.

    Only what both know is compared. The study entry is not: it changes with the study file while the
    night stays the same.

    Examples
    --------
    >>> foreign(Identity("P-01"), Identity("P-01", night="n1")), foreign(Identity("P-01"), Identity("P-02"))
    (False, True)
    """
    pairs = (
        (found.person, due.person),
        (found.study_id, due.study_id),
        (found.night, due.night),
        (found.input_sha256, due.input_sha256),
    )
    return any(a != b for a, b in pairs if a and b)


def check_one_person(nights: Sequence[tuple[str, Night]]) -> None:
    """Refuse several nights that are not known to be of one person.

    Parameters
    ----------
    nights
        (name, night).

    Raises
    ------
    ArchiveError
        Nights of two persons or studies, or several of which one does not say whose it is.
    """
    known = [(name, identity_of(night)) for name, night in nights]
    for name, own in known[1:]:
        first, other = known[0]
        if not own.person or not other.person:
            which = name if not own.person else first
            raise ArchiveError(
                f"{which} was scored without a study file, so nothing says that these {len(known)} nights are of "
                "one person; draft a study file (sleepbrux study new) and score by it, or take one night alone"
            )
        if own.person != other.person or (own.study_id and other.study_id and own.study_id != other.study_id):
            raise ArchiveError(
                f"{first} is {other.words}, {name} is {own.words}: nights of two persons; take those of one"
            )
