"""The bench log: one engine's results over the years."""
