"""Use cases: the only place that joins files, core, plans and reports."""
