"""The letter from the dentist to the sleep physician: one or two pages as PDF, and the same as HTML."""

from sleepbrux.report.letter.content import letter_about, letter_answer
from sleepbrux.report.letter.fields import Fields, fields_template, fields_text, from_study, load_fields
from sleepbrux.report.letter.page import letter_html
from sleepbrux.report.letter.typeset import letter_pdf

__all__ = [
    "Fields",
    "fields_template",
    "fields_text",
    "from_study",
    "letter_about",
    "letter_answer",
    "letter_html",
    "letter_pdf",
    "load_fields",
]
