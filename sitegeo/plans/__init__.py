"""The plan of one morning: spread, waypoints, card, map, checks."""
