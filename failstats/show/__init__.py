"""show."""
