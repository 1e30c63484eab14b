"""loop."""
