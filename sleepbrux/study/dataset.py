"""What a study says of its data set and of how it was recorded, for those who are handed the files."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from sleepbrux.core.errors import UsageError

Line = Annotated[str, Meta(max_length=300)]
Positive = Annotated[float, Meta(gt=0)]


class StudyDataset(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The table ``[dataset]`` of a study file: printed as entered, never read as a measurement.

    Fields are called as BIDS calls them, in small letters; what is empty is left out. ``placement`` says where
    the electrodes lay and how the place was found. No serial number and no name of a patient belongs here.
    """

    name: Line = ""
    authors: tuple[Line, ...] = ()
    license: Line = ""
    acknowledgements: Line = ""
    how_to_acknowledge: Line = ""
    funding: tuple[Line, ...] = ()
    ethics_approvals: tuple[Line, ...] = ()
    references_and_links: tuple[Line, ...] = ()
    dataset_doi: Line = ""
    institution_name: Line = ""
    institution_address: Line = ""
    institutional_department_name: Line = ""
    manufacturer: Line = ""
    manufacturers_model_name: Line = ""
    software_versions: Line = ""
    electrode_manufacturer: Line = ""
    electrode_manufacturers_model_name: Line = ""
    electrode_material: Line = ""
    electrode_type: Line = ""
    interelectrode_distance_mm: Positive | None = None
    placement: Line = ""
    reference: Line = ""
    ground: Line = ""
    skin_preparation: Line = ""
    hardware_filters: Line = ""
    power_line_hz: Positive | None = None
    instructions: Line = ""


def only_dataset(tables: Iterable[StudyDataset]) -> StudyDataset:
    """The one that several study files say.

    Raises
    ------
    UsageError
        Two of them say different things.
    """
    said = list({msgspec.json.encode(table): table for table in tables if table != StudyDataset()}.values())
    if len(said) > 1:
        raise UsageError(
            "two study files have different [dataset] tables; a BIDS data set has one, so write the same in each, or "
            "keep it in one of them"
        )
    return said[0] if said else StudyDataset()
