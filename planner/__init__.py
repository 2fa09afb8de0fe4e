"""The application: plans, demo, reports and command line. Imports `broodstock`, never the reverse."""
