"""From every site upstream: walks, exposed sections, parts without a source."""
