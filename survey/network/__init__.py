"""See DEVELOPERS.md, Structure: network."""
