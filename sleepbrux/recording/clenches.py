"""Reference clenches written beside a recording: what was found, and whether somebody accepted it.

The file ``RECORDING.clenches.toml`` is made by ``sleepbrux reference`` where no marks say it. A person
may correct its times, must say what was between the teeth, and accepts it by name; a later change of
the times undoes the acceptance, because it carries a digest of what was accepted.
"""

from __future__ import annotations

import hashlib
import json
from datetime import date
from pathlib import Path

import msgspec
from msgspec import Struct

from sleepbrux.core.errors import ReferenceLevelError
from sleepbrux.core.files import CLENCHES, read_text, toml_table, write_text

NATURAL = "natural teeth"
NOT_STATED = "not stated"
Stretch = tuple[float, float]


class Proposal(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Clenches and rest of a recording, and who accepted them.

    Attributes
    ----------
    recording_sha256
        Of the recording that they belong to.
    teeth
        ``"natural teeth"``, ``"not stated"`` or the appliance that was in.
    clenches_s, rests_s
        (start, stop) in seconds from the first sample.
    accepted_by, accepted_on
        Who looked at them and took them for reference clenches; empty until then.
    accepted_digest
        Digest of what was accepted.
    """

    recording_sha256: str
    teeth: str = NOT_STATED
    clenches_s: tuple[Stretch, ...]
    rests_s: tuple[Stretch, ...] = ()
    accepted_by: str = ""
    accepted_on: date | None = None
    accepted_digest: str = ""

    def digest(self) -> str:
        """Of recording, teeth and times: 16 hexadecimal digits."""
        what = [self.recording_sha256, self.teeth, _text(self.clenches_s), _text(self.rests_s)]
        return hashlib.sha256(json.dumps(what).encode()).hexdigest()[:16]

    def foreign(self, name: str) -> str:
        """Why these clenches are not used for a recording with another digest."""
        return (
            f"{name}: the clenches written next to the recording belong to another one (recording_sha256 "
            "differs); delete that file, and run sleepbrux reference again"
        )

    @property
    def accepted(self) -> bool:
        """Whether somebody accepted just this."""
        return bool(self.accepted_by) and self.accepted_digest == self.digest()


def _text(stretches: tuple[Stretch, ...]) -> str:
    return "[" + ", ".join(f"[{a:.3f}, {b:.3f}]" for a, b in stretches) + "]"


def sidecar(recording: Path) -> Path:
    """``NIGHT.edf.clenches.toml`` beside ``NIGHT.edf``."""
    return recording.with_name(recording.name + CLENCHES)


def accept(proposal: Proposal, *, by: str, on: date, teeth: str = "") -> Proposal:
    """The proposal as accepted by a person.

    Raises
    ------
    ReferenceLevelError
        Nobody is named, or nobody says what was between the teeth.
    """
    if not by.strip():
        raise ReferenceLevelError("nobody accepts the clenches; give a name or code as `accepted_by`")
    said = teeth_word(teeth) if teeth else proposal.teeth
    if said == NOT_STATED:
        raise ReferenceLevelError(
            "the clenches cannot be accepted before it is said what was between the teeth; give "
            "`teeth` as natural, or as the name of the appliance"
        )
    new = msgspec.structs.replace(proposal, teeth=said, accepted_by=by.strip(), accepted_on=on)
    return msgspec.structs.replace(new, accepted_digest=new.digest())


def teeth_word(text: str) -> str:
    """``"natural teeth"`` for every way of saying so, else the text itself."""
    return NATURAL if text.strip().casefold() in ("natural", NATURAL) else text.strip()


def load_proposal(recording: Path, sha256: str = "") -> Proposal | None:
    """The clenches written beside a recording; None where there is no such file.

    Parameters
    ----------
    sha256
        Of the recording; empty where the caller compares it later.

    Raises
    ------
    ReferenceLevelError
        A file that cannot be read, holds impossible times or belongs to another recording.
    """
    path = sidecar(recording)
    if not path.exists():
        return None
    text = read_text(path, ReferenceLevelError, "file of clenches (TOML)")
    try:
        proposal = msgspec.convert(toml_table(text, path.name, ReferenceLevelError), Proposal)
    except msgspec.ValidationError as error:
        raise ReferenceLevelError(f"{path.name}: {error}") from error
    for name in ("clenches_s", "rests_s"):
        for start, stop in getattr(proposal, name):
            if not 0 <= start < stop:
                raise ReferenceLevelError(
                    f"{path.name}: {name} holds {start:g} to {stop:g} s; the end must follow the start"
                )
    if sha256 and proposal.recording_sha256 != sha256:
        raise ReferenceLevelError(proposal.foreign(path.name))
    return proposal


def write_proposal(recording: Path, proposal: Proposal) -> Path:
    """Write the clenches beside their recording; returns the file's path."""
    lines = [
        "# Reference clenches of the recording next to this file, in seconds from its first sample.",
        "# Found by the program, not by a person: look at the picture, correct the times if need be, then",
        "# accept them with 'sleepbrux reference', which takes your name and what was between the teeth",
        f"recording_sha256 = {json.dumps(proposal.recording_sha256)}",
        f"teeth = {json.dumps(proposal.teeth, ensure_ascii=False)}",
        f"clenches_s = {_text(proposal.clenches_s)}",
        f"rests_s = {_text(proposal.rests_s)}",
    ]
    if proposal.accepted_by:
        lines += [
            f"accepted_by = {json.dumps(proposal.accepted_by, ensure_ascii=False)}",
            *([f"accepted_on = {proposal.accepted_on}"] if proposal.accepted_on else []),
            f"accepted_digest = {json.dumps(proposal.accepted_digest)}",
        ]
    path = sidecar(recording)
    write_text(path, "\n".join(lines) + "\n")
    return path
