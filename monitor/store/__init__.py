"""The one DuckDB file: all SQL of the project lives in this package."""
