"""Tells people of findings, each once: what is new, in words, by mail or webhook."""
