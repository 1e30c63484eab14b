"""solve."""
