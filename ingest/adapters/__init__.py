"""One module a format; each is found through `ingest.registry`."""
