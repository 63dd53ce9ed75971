"""Either end: the states in which a normally open device is closed, or a closed ring opened (rule 10)."""
