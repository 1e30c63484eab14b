"""target."""
