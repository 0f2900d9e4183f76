"""The shoreline and the positions on it: tree lines, points, coves, openings, clumps, flats."""
