"""What every room stands on: errors and notes, spans, files, parallel work, provenance."""
