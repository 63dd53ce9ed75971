"""See DEVELOPERS.md, Structure: report."""
