"""The local web app: server-rendered pages over the use cases. Imports `planner.tasks`, never the command line."""
