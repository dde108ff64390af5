"""What is wrong or suspicious at a site, with evidence, effect and what to check."""
