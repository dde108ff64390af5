"""Data of heat pump homes that do not exist, with the truth beside the exports."""

from demo_telemetry.fleet import DemoHome, write_fleet

__all__ = ["DemoHome", "write_fleet"]
