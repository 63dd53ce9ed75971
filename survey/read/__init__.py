"""See DEVELOPERS.md, Structure: read."""
