"""Options that more than one verb has."""

from __future__ import annotations

import click

unit = click.option(
    "--unit",
    type=click.Choice(["uV", "mV", "V", "nV"]),
    default=None,
    help="Unit of the samples where the header does not say, or says it wrongly.",
)
record_duration = click.option(
    "--record-duration",
    type=click.FloatRange(min=0, min_open=True),
    default=None,
    metavar="SECONDS",
    help="Length of a data record, for an EDF file that states none.",
)
