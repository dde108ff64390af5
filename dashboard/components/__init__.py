"""Parts that pages are put together from."""
