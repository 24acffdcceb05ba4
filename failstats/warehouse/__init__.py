"""warehouse."""
