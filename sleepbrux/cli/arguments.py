"""The library's sentences name arguments, as `` `mvc_uv` ``; a command shows the option that sets each."""

from __future__ import annotations

import re

OPTIONS = {
    "accepted_by": "--accept-by",
    "channels": "--channel",
    "criterion": "--criterion",
    "convert_to": "--convert-uv",
    "datasets": "--dataset",
    "fields": "--field",
    "identity": "--identity",
    "issued": "--issued",
    "labels": "--label",
    "mvc_uv": "--mvc-uv",
    "nights": "--nights",
    "out": "--out",
    "pseudonym": "--pseudonym",
    "rate_hz": "--rate",
    "record_duration_s": "--record-duration",
    "recordings": "--recording",
    "roles": "--as",
    "scale": "--scale",
    "scheduler": "--scheduler",
    "scored": "--scored",
    "shard": "--shard",
    "stream": "--stream",
    "sync": "--sync",
    "teeth": "--teeth",
    "time_unit": "--time-unit",
    "unit": "--unit",
    "vouch": "--vouch",
    "window": "--from and --to",
    "window[0]": "--from",
    "window[1]": "--to",
    "without": "--without",
}
_NAMED = re.compile("`(" + "|".join(re.escape(name) for name in OPTIONS) + ")`")


def in_options(text: str) -> str:
    """A sentence of the library in the words of the command line.

    Examples
    --------
    >>> in_options("no rate is stated; give `rate_hz`")
    'no rate is stated; give --rate'
    """
    return _NAMED.sub(lambda found: OPTIONS[found[1]], text)
