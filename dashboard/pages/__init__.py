"""The pages, and what each of them says."""
