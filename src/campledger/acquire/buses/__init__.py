"""The wires: the only place that loads hardware libraries."""
