"""Energy accounts of heat pump sites and the promises made for them."""
