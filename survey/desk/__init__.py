"""The desk: one transformer worked out by hand, and the table of allowed cable lengths. No network, no files read."""
