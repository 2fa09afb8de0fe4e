"""Science of lots: how many fish of which family are in a lot, tank, pond, truck or site, and how sure that is."""
