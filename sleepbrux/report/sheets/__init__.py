"""The sheets of a study: one for the chair, one for the patient, as tagged PDF."""

from sleepbrux.report.sheets.sheets import chair_sheet, patient_sheet, person_number, write_sheets

__all__ = ["chair_sheet", "patient_sheet", "person_number", "write_sheets"]
