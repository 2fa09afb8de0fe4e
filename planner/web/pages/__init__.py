"""One module per group of pages; each has a `router`."""
