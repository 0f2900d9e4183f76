"""From files to one place in one metric coordinate system."""
