"""What the photo and the maps say the ground is: water, trees, low cover, open, built."""
