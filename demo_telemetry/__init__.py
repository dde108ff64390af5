"""Data of heat pump homes that do not exist, with the truth beside the exports."""
