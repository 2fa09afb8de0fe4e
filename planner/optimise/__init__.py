"""Plans as arrays in, arrays out; the only place that touches PuLP."""
