"""Physics and statistics: arrays in, arrays out; pure."""
