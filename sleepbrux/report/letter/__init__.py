"""The letter from the dentist to the sleep physician: one or two pages, PDF."""

from sleepbrux.report.letter.fields import Fields, fields_template, load_fields
from sleepbrux.report.letter.typeset import letter_pdf

__all__ = ["Fields", "fields_template", "letter_pdf", "load_fields"]
