"""Reading forecasts and past winds from files; nothing here opens the network."""
