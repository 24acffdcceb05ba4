"""All answers on one page, their tables beside it, and the sheets a van and a technician carry."""
