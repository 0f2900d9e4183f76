"""Reading the ground: cover classes, plant heights, the shoreline, and positions."""
