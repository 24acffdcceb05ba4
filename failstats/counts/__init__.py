"""counts."""
