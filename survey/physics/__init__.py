"""See DEVELOPERS.md, Structure: physics."""
