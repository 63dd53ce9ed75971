"""Where everything stands: ends joined, points placed, cables cut, devices on their side, one graph."""
