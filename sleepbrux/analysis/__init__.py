"""What several nights, persons or scorings say together."""
