"""measure."""
