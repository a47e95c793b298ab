"""Lines that prove each other, and the head that proves the last of them.

A line is a JSON object that ends in the digest of the line before and in its own, which is taken over all
of the line that stands before it::

    {"seq":1,"action":"accept",...,"previous":"5e1c...","sha256":"09af..."}

So a changed, missing or foreign line breaks the chain where it stands. That the last lines are gone no
chain can show: ``NIGHT.review.head`` holds the number of decisions and the digest of the last, and is
replaced after each, before the decision is acknowledged. It is a chain of one line itself.

What a power cut or ``kill -9`` leaves is one of these, and each is a whole journal:

=======================================  ====================================================
journal                                  head
=======================================  ====================================================
n decisions                              of n
n decisions, then part of a line         of n; nobody was told of that line
n + 1 decisions                          of n; the last was not acknowledged, and it counts
one decision, or part of the first line  none yet
=======================================  ====================================================
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import NamedTuple

import msgspec
from msgspec import Struct

from sleepbrux.archive.journal.disk import read_plain

HEAD_FORMAT, HEAD_SCHEMA = "sleepbrux review head", "2.0"
HEAD_BYTES = 4096
_END = re.compile(rb',"previous":"([0-9a-f]{64})?","sha256":"([0-9a-f]{64})"\}\Z')
_END_BYTES = 170


class Link(NamedTuple):
    """A line that is as it was written: its own JSON object, and the two digests."""

    body: bytes
    previous: str
    digest: str


class Head(Struct, frozen=True, kw_only=True):
    """How many decisions there are, and the digest of the last line."""

    format: str = HEAD_FORMAT
    schema_version: str = HEAD_SCHEMA
    decisions: int
    last: str


def sealed(body: bytes, previous: str) -> tuple[bytes, str]:
    """A JSON object as a line of the chain, without its line end; and its digest."""
    covered = b'%s,"previous":"%s"' % (body[:-1], previous.encode())
    digest = hashlib.sha256(covered).hexdigest()
    return b'%s,"sha256":"%s"}' % (covered, digest.encode()), digest


def link_of(line: bytes) -> Link | None:
    """A line of the chain; None where it is none, or not as it was written."""
    end = _END.search(line, max(len(line) - _END_BYTES, 0))
    if end is None:
        return None
    covered, digest = line[: end.start(2) - len(b',"sha256":"')], end[2].decode()
    if hashlib.sha256(covered).hexdigest() != digest:
        return None
    return Link(line[: end.start()] + b"}", (end[1] or b"").decode(), digest)


def head_path(journal: Path) -> Path:
    """``NIGHT.review.head`` beside ``NIGHT.review.jsonl``."""
    return journal.with_suffix(".head")


def head_text(head: Head) -> bytes:
    """The head as its file holds it."""
    return sealed(msgspec.json.encode(head), "")[0] + b"\n"


def read_head(journal: Path) -> tuple[Head | None, bytes | None]:
    """The head beside a journal and the bytes of its file; no head where they say none."""
    data = read_plain(head_path(journal), HEAD_BYTES)
    link = link_of(data[:-1]) if data and data.endswith(b"\n") else None
    if link is None or link.previous:
        return None, data
    try:
        head = msgspec.json.decode(link.body, type=Head)
    except msgspec.MsgspecError:
        return None, data
    sound = head.format == HEAD_FORMAT and head.schema_version[:1] == HEAD_SCHEMA[:1]
    return (head if sound and head.decisions >= 0 else None), data
