"""Many clips: measured side by side, gone on with where it was left, put together in one table and one picture."""
