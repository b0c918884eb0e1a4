"""Arrays in, arrays out, each formula with its source."""
