"""The register: every table of the records in one database, with history; nothing is ever lost."""
