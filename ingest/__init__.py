"""Meter exports in, normal form out, and from there into the store."""
