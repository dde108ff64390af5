"""Pages and commands."""
