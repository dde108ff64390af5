"""The promise: where a site stands, and what it costs."""
