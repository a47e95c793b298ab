"""A night as a FHIR R4 bundle, and the code system and profiles that it uses."""

from sleepbrux.export.fhir.bundle import BUNDLES, FhirForm, bundle
from sleepbrux.export.fhir.definitions import DEFINITIONS, definitions_text

__all__ = ["BUNDLES", "DEFINITIONS", "FhirForm", "bundle", "definitions_text"]
