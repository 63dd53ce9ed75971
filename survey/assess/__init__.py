"""See DEVELOPERS.md, Structure: assess."""
