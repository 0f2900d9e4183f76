"""Where to hide for a wind: candidate blinds, where birds land, and how well it all fits."""
