"""Readings become known energy: pure functions on the frames of one site."""
