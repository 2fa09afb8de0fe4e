"""The invented practice programme, made from a seed, with its hidden truth."""
