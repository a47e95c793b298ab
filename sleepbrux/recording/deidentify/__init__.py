"""Copies of recordings without what names a person or a device."""

from sleepbrux.recording.deidentify.copying import NOT_PROMISED, Kept, Report, deidentify, nameless_copy

__all__ = ["NOT_PROMISED", "Kept", "Report", "deidentify", "nameless_copy"]
