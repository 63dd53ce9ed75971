"""What the drawing almost says or gets wrong: bare ends, near misses, cables drawn twice or on one another."""
