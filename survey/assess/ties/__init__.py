"""Either end: the worst state of every site with a normally open device closed, or a closed ring opened."""
